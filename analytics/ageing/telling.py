"""What ageing has to say: evidence for API and record, sentences, and how long the battery may last. Only what the data can carry."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING, NamedTuple

from analytics.ageing.capacity import so_far, table_part
from analytics.ageing.damage import damage, equivalent_full_cycles, rated
from analytics.ageing.memory import Life, Pace
from analytics.ageing.rainflow import Cycle, counted
from analytics.assessment import Evidence

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analytics.battery import Battery
    from analytics.view import View

NINETY = 1.645
LEAST_DAYS = 30.0
"""Judgement: a month of use before a year is foretold."""
LONGEST_YEARS = 20.0
"""Judgement: beyond this calendar ageing ends a battery anyway (Spiers & Rasinkoski 1996: life is the lesser of cycle and corrosion life)."""
CHARGES = 8
"""Judgement: as many make a habit; memory is a mean over as many."""
OFTENER = 0.75
"""Judgement: three quarters of the charge that it gave between recharges when new is a change that a person notices."""

FADING_MS = 60 * 86_400_000
FADED_PART = 0.90
"""Judgement: a tenth in two months or more is age; less is within what legs of another season say."""
UNMEASURED_DAYS = 7.0


class Service(NamedTuple):
    """Years left from now, the early and the late end of a range; None at the late end: not limited by cycles."""

    earliest_years: float
    latest_years: float | None


def damage_now(battery: Battery, life: Life, still_open: Iterable[Cycle]) -> float:
    """Miner's sum with the open cycles as if they ended now."""
    n, _, _, depth = rated(battery)
    return life.damage + damage(still_open, n, depth)


def capacity_interval(view: View) -> tuple[float, float, float] | None:
    """(value, low, high) in ampere-hours between trusted states of charge; None while no leg was long enough."""
    life = view.ageing.life
    if life is None:
        return None
    life = so_far(view, life)
    if life.capacity_ah is None:
        return None
    half = NINETY * sqrt(life.capacity_var + (table_part(view.battery) * life.capacity_ah) ** 2)
    return life.capacity_ah, life.capacity_ah - half, life.capacity_ah + half


def end_of_service(view: View, used: float) -> Service | None:
    """When cycles end the service life at this use (`used`: the part of it by now), as a range over the published spread of cycle lives;
    None before a month of data."""
    life = view.ageing.life
    if life is None:
        return None
    days = (view.now_ms - life.begun_ms) / 86_400_000
    if days < LEAST_DAYS or used <= 0:
        return None
    n, fewest, most, _ = rated(view.battery)
    a_year = used / days * 365.25
    earliest = max(0.0, (1 - used * n / fewest) / (a_year * n / fewest))
    latest = max(0.0, (1 - used * n / most) / (a_year * n / most))
    return Service(min(earliest, LONGEST_YEARS), None if latest > LONGEST_YEARS else latest)


def has_faded(view: View, capacity_ah: float) -> bool:
    """Whether it held clearly more when the readings began, two months ago or more."""
    life = view.ageing.life
    if life is None or life.capacity_new_ah is None or view.now_ms - life.begun_ms < FADING_MS:
        return False
    return capacity_ah <= FADED_PART * life.capacity_new_ah


def oftener(new: Pace, now: Pace) -> str | None:
    """The measured sentence that it needs recharging more often than when new; None while it does not or cannot be told."""
    if new.charges < CHARGES or now.charges < CHARGES or now.out_ah > OFTENER * new.out_ah:
        return None
    return (
        f"It now gives {now.out_ah:.0f} Ah between charges and is recharged every {now.days:.1f} days; when the readings began it gave "
        f"{new.out_ah:.0f} Ah and was recharged every {new.days:.1f} days (means of {CHARGES} charges each)."
    )


def evidence_of(view: View) -> Evidence:
    """Cycles, throughput, capacity and resistance against new."""
    memory, life = view.ageing, view.ageing.life
    if life is None:
        return ()
    n, _, _, depth = rated(view.battery)
    still_open = counted(life.reversals)
    used = damage_now(view.battery, life, still_open)
    capacity, service = capacity_interval(view), end_of_service(view, used)
    ratio = None if not life.resistance_ohm or not life.resistance_new_ohm else life.resistance_ohm / life.resistance_new_ohm
    return (
        ("watched_days", round((view.now_ms - life.begun_ms) / 86_400_000, 1)),
        ("charge_out_ah", round(memory.out_ah, 1)),
        ("charge_in_ah", round(memory.in_ah, 1)),
        ("equivalent_full_cycles", round(equivalent_full_cycles(memory.in_ah, memory.out_ah, view.battery.rated_capacity_ah), 2)),
        ("cycles_deeper_than_10_pct", sum(life.half_cycles[1:]) / 2 + sum(count for deep, count in still_open if deep >= 10)),
        ("rated_cycles", n),
        ("rated_cycles_depth_pct", depth),
        ("cycle_life_used_pct", round(100 * used, 2)),
        ("capacity_ah", None if capacity is None else round(capacity[0], 1)),
        ("capacity_low_ah", None if capacity is None else round(capacity[1], 1)),
        ("capacity_high_ah", None if capacity is None else round(capacity[2], 1)),
        ("resistance_at_25_c_ohm", life.resistance_ohm),
        ("resistance_against_new", None if ratio is None else round(ratio, 2)),
        ("charge_factor", life.charge_factor),
        ("self_discharge_pct_per_month", life.self_discharge),
        ("days_between_charges_new", life.new.days if life.new.charges >= CHARGES else None),
        ("days_between_charges_now", life.now.days if life.now.charges >= CHARGES else None),
        *((f"out_ah_between_charges_{when}", p.out_ah) for when, p in (("new", life.new), ("now", life.now)) if p.charges >= CHARGES),
        ("service_left_earliest_years", None if service is None else round(service.earliest_years, 1)),
        ("service_left_latest_years", None if service is None or service.latest_years is None else round(service.latest_years, 1)),
    )


def sentences_of(battery: Battery, evidence: Evidence) -> tuple[str, ...]:
    """What the evidence says in plain words, only what can be said."""
    figures = {name: value for name, value in evidence if isinstance(value, float | int)}
    watched_days = figures.get("watched_days")
    if watched_days is None:
        return ()
    said = []
    if (value := figures.get("capacity_ah")) is not None:
        low, high = figures["capacity_low_ah"], figures["capacity_high_ah"]
        said.append(f"It holds about {value:.0f} Ah ({low:.0f} to {high:.0f}); {battery.rated_capacity_ah:.0f} Ah are declared.")
    elif watched_days >= UNMEASURED_DAYS:
        said.append(
            "How much it really holds is not known yet: that takes a discharge or charge of some depth between two moments of known charge, "
            "with the current measured all the way."
        )
    if battery.kind.lead_acid and battery.rest_voltage_table is None and watched_days >= UNMEASURED_DAYS:
        said.append(
            f"That it is {battery.kind.a_title} battery is taken from what you declared: flooded, AGM and gel stand within a tenth or two of a volt "
            "of each other, which voltage alone cannot tell apart."
        )
    paces = [Pace(CHARGES, figures[f"days_between_charges_{when}"], figures[name]) for when in ("new", "now")
             if (name := f"out_ah_between_charges_{when}") in figures]  # fmt: skip
    if len(paces) == 2 and (often := oftener(*paces)) is not None:
        said.append(often)
    if (earliest_years := figures.get("service_left_earliest_years")) is not None:
        latest_years = figures.get("service_left_latest_years")
        late = "more than 20" if latest_years is None else f"{latest_years:.0f}"
        said.append(f"At this use its cycles last another {earliest_years:.0f} to {late} years; age and heat may end it sooner.")
    return tuple(said)
