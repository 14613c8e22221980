"""The answer to a plan: watt-hours, the capacity it asks for, charging, cycles a year, bursts, air; a short table and sentences."""

from typing import NamedTuple

from analytics.ageing.damage import life_cycles
from analytics.budget.energy import Strain, Use, daily, daily_ah, strain_of
from analytics.budget.hydrogen import Air, air_for
from analytics.budget.plan import Installed, Plan
from analytics.budget.sizing import Required, at_rate_ah, required_ah, temperature_factor
from analytics.budget.sun import panel_wh
from analytics.chemistries import CHEMISTRIES
from analytics.chemistry import Chemistry

DARK_DAYS = 2.0
"""Judgement: two days in a row without useful sun are common even in summer, so the battery alone must carry two."""
RATE_HOURS = 20.0


class Answer(NamedTuple):
    """Everything that was worked out. Ampere-hours are at the plan's nominal voltage."""

    plan: Plan
    uses: tuple[Use, ...]
    daily_wh: float
    daily_ah: float
    """Without margin."""
    planned_ah: float
    """With margin."""
    sun_ah: float
    """Usable from the sun on a mean day of the month; 0 without panels."""
    dark_days: float
    """Days that the battery must carry alone."""
    required: tuple[tuple[str, Required], ...]
    """For each chemistry."""
    charge_ah_per_day: float
    """To put back each day beyond the sun, with the charge factor of the battery on board (else of flooded)."""
    charge_hours_per_day: float | None
    strains: tuple[Strain, ...]
    cycles_a_year: float | None
    years: tuple[float, float] | None
    """How long the cycles of the battery on board last at this use: the early and the late end."""
    air: Air | None
    enough: bool | None
    """Whether the battery on board carries the plan."""


def answer(plan: Plan) -> Answer:
    """Work a plan out."""
    uses = daily(plan)
    bare, planned = daily_ah(plan, margin=False), daily_ah(plan)
    sun_ah = _sun_ah(plan)
    dark = _dark_days(plan, planned, sun_ah)
    required = tuple((name, required_for(kind, plan, planned, dark)) for name, kind in CHEMISTRIES.items())
    battery = plan.battery
    kind = CHEMISTRIES[battery.chemistry if battery else "flooded"]
    missing = 0.0 if plan.hook_up else max(0.0, planned - sun_ah) * kind.charge_factor.value
    hours = None if plan.charger is None else missing / plan.charger.current_a
    return Answer(
        plan,
        uses,
        sum(u.watt_hours for u in uses),
        bare,
        planned,
        sun_ah,
        dark,
        required,
        missing,
        hours,
        _strains(plan, kind),
        None if battery is None else cycles_a_year(plan, planned, battery.rated_capacity_ah * battery.health_pct / 100),
        None if battery is None else _years(plan, planned, battery),
        None if battery is None or not kind.lead_acid else air_for(kind.vented, "boost", _cells(plan, kind), battery.rated_capacity_ah),
        None if battery is None else _enough(plan, battery, dict(required)[battery.chemistry]),
    )


def required_for(kind: Chemistry, plan: Plan, planned_ah: float, dark_days: float) -> Required:
    """IEEE 1013 for one chemistry; the margin is already in the daily use."""
    return required_ah(
        planned_ah,
        dark_days,
        depth=usable_depth(kind, plan),
        end_of_life=plan.end_of_life_pct / 100,
        temperature_factor=temperature_factor(kind, plan.temperature_c),
        margin=1.0,
    )


def usable_depth(kind: Chemistry, plan: Plan) -> float:
    """Part of the capacity that may be used: the owner's, else down to the chemistry's safe limit."""
    return (100 - kind.safe_limit_pct.value if plan.usable_depth_pct is None else plan.usable_depth_pct) / 100


def carried_ah(kind: Chemistry, plan: Plan, capacity_20h_ah: float) -> float:
    """Ampere-hours that a battery of this size really gives at the plan's temperature and depth."""
    return capacity_20h_ah * usable_depth(kind, plan) / temperature_factor(kind, plan.temperature_c)


def cycles_a_year(plan: Plan, planned_ah: float, capacity_ah: float) -> float:
    """Equivalent full cycles in a year of this use."""
    return planned_ah * plan.days_a_year / capacity_ah if not plan.hook_up else 0.0


def years_of_cycles(plan: Plan, planned_ah: float, capacity_ah: float, cycles: float, depth_pct: float) -> float:
    """Years until Miner's sum of daily cycles of this depth reaches 1; a hundred at most."""
    if plan.hook_up or plan.days_a_year <= 0 or planned_ah <= 0:
        return 100.0
    daily_depth = min(100.0, 100 * planned_ah / capacity_ah)
    return min(100.0, life_cycles(daily_depth, cycles, depth_pct) / plan.days_a_year)


def _sun_ah(plan: Plan) -> float:
    sun = plan.sun
    if sun is None:
        return 0.0
    return panel_wh(sun.latitude_deg, sun.month, sun.panel_w, sun.sunshine_pct, sun.losses_pct) / plan.nominal_v


def _dark_days(plan: Plan, planned_ah: float, sun_ah: float) -> float:
    """Days of use that must come out of the battery: what the sun does not bring, but never less than two dark days (or the stay)."""
    if plan.hook_up or planned_ah <= 0:
        return min(1.0, plan.days_away)
    net = max(0.0, planned_ah - sun_ah) * plan.days_away / planned_ah
    return max(net, min(plan.days_away, DARK_DAYS))


def _cells(plan: Plan, kind: Chemistry) -> int:
    return round(kind.cells_12v * plan.nominal_v / 12)


def _strains(plan: Plan, kind: Chemistry) -> tuple[Strain, ...]:
    battery = plan.battery
    limit = None if battery is None else battery.burst_limit_a
    ohms = None if battery is None else battery.resistance_ohm
    if ohms is None and battery is not None:
        ohms = kind.internal_resistance_ohm_ah.value * _cells(plan, kind) / battery.rated_capacity_ah
    return tuple(strain_of(b, plan, limit, ohms) for b in plan.bursts)


def _years(plan: Plan, planned_ah: float, battery: Installed) -> tuple[float, float]:
    kind = CHEMISTRIES[battery.chemistry]
    capacity = battery.rated_capacity_ah * battery.health_pct / 100
    depth = battery.rated_cycles_depth_pct or kind.cycles_depth_pct
    if battery.rated_cycles is None:
        low, high = kind.cycles.low, kind.cycles.high
    else:
        low, high = 0.67 * battery.rated_cycles, 1.33 * battery.rated_cycles  # judgement: as in analytics.ageing.damage
    return years_of_cycles(plan, planned_ah, capacity, low, depth), years_of_cycles(plan, planned_ah, capacity, high, depth)


def _enough(plan: Plan, battery: Installed, required: Required) -> bool:
    kind = CHEMISTRIES[battery.chemistry]
    at_20h = at_rate_ah(battery.rated_capacity_ah, battery.rated_hours, RATE_HOURS, kind.peukert.value) * battery.health_pct / 100
    return at_20h >= required.with_margin_ah
