"""Watt-hours and ampere-hours a day, and the current of bursts."""

from typing import NamedTuple

from analytics.budget.plan import Burst, Consumer, Inverter, Plan


class Use(NamedTuple):
    """One line of the table: what a consumer takes from the battery each day."""

    name: str
    watt_hours: float
    ampere_hours: float


class Strain(NamedTuple):
    """What a burst asks of the battery."""

    name: str
    current_a: float
    seconds: float
    ampere_hours: float
    sag_v: float | None
    """By the battery's resistance; None where it is not known."""
    within_limit: bool | None
    """None where no limit is known."""


def inverter_current_a(power_w: float, efficiency: float, voltage_v: float) -> float:
    """Current that an inverter draws for this power at its socket: I = P / (efficiency × U)."""
    return power_w / (efficiency * voltage_v)


def use_of(consumer: Consumer, plan: Plan) -> Use:
    """What one consumer takes in a day, at the nominal voltage."""
    hours = consumer.hours * consumer.duty_pct / 100 * consumer.count
    if consumer.current_a is not None:
        return Use(consumer.name, consumer.current_a * hours * plan.nominal_v, consumer.current_a * hours)
    power_w = consumer.power_w or 0.0
    if consumer.via_inverter:
        power_w /= plan.inverter.efficiency_pct / 100
    return Use(consumer.name, power_w * hours, power_w * hours / plan.nominal_v)


def daily(plan: Plan) -> tuple[Use, ...]:
    """Every consumer, the inverter's own use, and the bursts; without any margin."""
    uses = [use_of(c, plan) for c in plan.consumers]
    own = _inverter_own(plan.inverter, plan.nominal_v)
    if own.watt_hours > 0:
        uses.append(own)
    for burst in plan.bursts:
        ah = burst_current_a(burst, plan) * burst.seconds / 3600 * burst.per_day
        uses.append(Use(burst.name, ah * plan.nominal_v, ah))
    return tuple(uses)


def _inverter_own(inverter: Inverter, nominal_v: float) -> Use:
    wh = inverter.standby_w * inverter.hours
    return Use("inverter by itself", wh, wh / nominal_v)


def daily_ah(plan: Plan, *, margin: bool = True) -> float:
    """Ampere-hours a day, with the plan's margin (20 % by default, common practice)."""
    return sum(u.ampere_hours for u in daily(plan)) * (1 + plan.margin_pct / 100 if margin else 1.0)


def burst_current_a(burst: Burst, plan: Plan) -> float:
    """Current of a burst at the battery."""
    if burst.current_a is not None:
        return burst.current_a
    efficiency = plan.inverter.efficiency_pct / 100 if burst.via_inverter else 1.0
    return inverter_current_a(burst.power_w or 0.0, efficiency, plan.nominal_v)


def strain_of(burst: Burst, plan: Plan, limit_a: float | None, resistance_ohm: float | None) -> Strain:
    """The burst against the battery's limit, and the voltage it costs while it lasts."""
    amps = burst_current_a(burst, plan)
    sag_v = None if resistance_ohm is None else amps * resistance_ohm
    return Strain(burst.name, amps, burst.seconds, amps * burst.seconds / 3600, sag_v, None if limit_a is None else amps <= limit_a)
