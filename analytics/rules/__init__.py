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
from analytics.rules.rule import HOLD, Judgement, Rule, Said, finding_of
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
URGENT = frozenset(("deep_discharge", "low_voltage", "freezing"))
"""What may change within minutes."""


@cache
def soon(standing: tuple[str, ...], charging: bool, in_use: bool = False) -> tuple[Rule, ...]:
    """The rules that are judged every five minutes: urgent ones, those of charging while a charge runs, the forecast on a trip, where an hour
    is half of the response time, and all that stand or are pending.

    The others look at what changes hourly at most (forecast, dues, what was learned, the battery's life). They are judged when the hour
    turns, when a phase, mode or charge begins or ends, and on ticks and notes.
    """
    named = {*URGENT, *standing, *(("forecast_low",) if in_use else ())}
    return tuple(r for r in RULES if r.name in named or (charging and r.name.startswith("charge_")))


__all__ = ["HOLD", "ON_DELAY_MS", "RULES", "Judgement", "Rule", "Said", "finding_of", "soon"]
