"""The table of rules, read top to bottom: a new one is one file and one line here."""

from functools import cache

from analytics.rules.ageing_capacity import AGEING_CAPACITY
from analytics.rules.ageing_cycles import AGEING_CYCLES
from analytics.rules.ageing_recharge import AGEING_RECHARGE
from analytics.rules.ageing_resistance import AGEING_RESISTANCE
from analytics.rules.another_battery import ANOTHER_BATTERY
from analytics.rules.charge_compensation import CHARGE_COMPENSATION
from analytics.rules.charge_current_high import CHARGE_CURRENT_HIGH
from analytics.rules.charge_current_low import CHARGE_CURRENT_LOW
from analytics.rules.charge_equalisation import CHARGE_EQUALISATION
from analytics.rules.charge_lithium_cold import CHARGE_LITHIUM_COLD
from analytics.rules.charge_never_full import CHARGE_NEVER_FULL
from analytics.rules.charge_no_float import CHARGE_NO_FLOAT
from analytics.rules.charge_over_voltage import CHARGE_OVER_VOLTAGE
from analytics.rules.charge_pulsed import CHARGE_PULSED
from analytics.rules.charge_runaway import CHARGE_RUNAWAY
from analytics.rules.charge_stuck import CHARGE_STUCK
from analytics.rules.charge_under_voltage import CHARGE_UNDER_VOLTAGE
from analytics.rules.check_due import CHECK_DUE
from analytics.rules.declared_capacity import DECLARED_CAPACITY
from analytics.rules.deep_discharge import DEEP_DISCHARGE
from analytics.rules.forecast_low import FORECAST_LOW
from analytics.rules.freezing import FREEZING
from analytics.rules.low_voltage import LOW_VOLTAGE
from analytics.rules.maintainer import MAINTAINER
from analytics.rules.refresh_due import REFRESH_DUE
from analytics.rules.returned_low import RETURNED_LOW
from analytics.rules.rule import HOLD, Judgement, Pace, Rule, Said, finding_of
from analytics.rules.sensor_clock import SENSOR_CLOCK
from analytics.rules.sensor_disagrees import SENSOR_DISAGREES
from analytics.rules.sensor_offset import SENSOR_OFFSET
from analytics.rules.sensor_reversed import SENSOR_REVERSED
from analytics.rules.sensor_stuck_current import SENSOR_STUCK_CURRENT
from analytics.rules.sensor_stuck_voltage import SENSOR_STUCK_VOLTAGE
from analytics.rules.sensor_table import SENSOR_TABLE
from analytics.rules.sensor_thermometer import SENSOR_THERMOMETER
from analytics.rules.silence import SILENCE
from analytics.rules.standing_load import STANDING_LOAD
from analytics.rules.sulfation import SULFATION
from analytics.rules.unexplained_rise import UNEXPLAINED_RISE

RULES: tuple[Rule, ...] = (
    DEEP_DISCHARGE,
    LOW_VOLTAGE,
    FORECAST_LOW,
    SILENCE,
    FREEZING,
    STANDING_LOAD,
    RETURNED_LOW,
    MAINTAINER,
    REFRESH_DUE,
    CHECK_DUE,
    SULFATION,
    UNEXPLAINED_RISE,
    ANOTHER_BATTERY,
    CHARGE_OVER_VOLTAGE,
    CHARGE_EQUALISATION,
    CHARGE_LITHIUM_COLD,
    CHARGE_RUNAWAY,
    CHARGE_PULSED,
    CHARGE_STUCK,
    CHARGE_CURRENT_HIGH,
    CHARGE_UNDER_VOLTAGE,
    CHARGE_COMPENSATION,
    CHARGE_CURRENT_LOW,
    CHARGE_NEVER_FULL,
    CHARGE_NO_FLOAT,
    SENSOR_REVERSED,
    SENSOR_STUCK_CURRENT,
    SENSOR_STUCK_VOLTAGE,
    SENSOR_DISAGREES,
    SENSOR_TABLE,
    SENSOR_OFFSET,
    SENSOR_THERMOMETER,
    SENSOR_CLOCK,
    DECLARED_CAPACITY,
    AGEING_CAPACITY,
    AGEING_RECHARGE,
    AGEING_RESISTANCE,
    AGEING_CYCLES,
)

ON_DELAY_MS = {rule.name: 1000 * rule.on_delay_s for rule in RULES}
ALL: tuple[Pace, ...] = ("always", "charging", "in use", "hourly")
PACES: dict[tuple[bool, bool], tuple[Pace, ...]] = {
    (False, False): ("always",),
    (True, False): ("always", "charging"),
    (False, True): ("always", "in use"),
    (True, True): ("always", "charging", "in use"),
}
"""What is judged between the hours, by whether a charge runs and whether this is a trip."""


@cache
def soon(standing: tuple[str, ...], paces: tuple[Pace, ...]) -> tuple[Rule, ...]:
    """The rules of these paces and those that have something to remember, in the order of the table."""
    return tuple(r for r in RULES if r.pace in paces or r.name in standing)


__all__ = ["ALL", "HOLD", "ON_DELAY_MS", "PACES", "RULES", "Judgement", "Pace", "Rule", "Said", "finding_of", "soon"]
