"""Batteries that the owner considers, held against the plan: does each fit, carry, suit, last, and what does a kilowatt-hour cost."""

from itertools import permutations
from typing import NamedTuple

from analytics.budget.answer import RATE_HOURS, Answer, carried_ah, required_for, years_of_cycles
from analytics.budget.energy import burst_current_a
from analytics.budget.plan import Candidate, Plan, Tray
from analytics.budget.sizing import at_rate_ah
from analytics.chemistries import CHEMISTRIES
from analytics.chemistry import Chemistry

SHELF_YEARS = 12.0
"""Judgement: no leisure battery is counted on for longer; age and corrosion end it (Spiers & Rasinkoski 1996: the lesser of the two lives)."""
DECLINE = 0.9
"""Judgement: a battery that ends at 80 % of its capacity has given 90 % of it on average."""


class Weighed(NamedTuple):
    """One candidate with its answers; `None` where it cannot be said."""

    candidate: Candidate
    fits: bool | None
    carries: bool
    carried_ah: float
    needed_ah: float
    suits_charger: bool | None
    suits_bursts: bool | None
    years: float
    """That its cycles last at this use, not longer than its shelf life."""
    cost_per_kwh: float
    """Price over the energy delivered in those years, in the money of the file."""
    reasons: tuple[str, ...]
    """One sentence for each answer."""

    @property
    def objections(self) -> int:
        """How many questions are answered with no."""
        return sum(answer is False for answer in (self.fits, self.carries, self.suits_charger, self.suits_bursts))


def weighed(candidates: list[Candidate], a: Answer) -> list[Weighed]:
    """Every candidate, best first: fewest objections, then the cheapest kilowatt-hour."""
    return sorted((_weigh(c, a) for c in candidates), key=lambda w: (w.objections, w.cost_per_kwh, w.candidate.name))


def _weigh(c: Candidate, a: Answer) -> Weighed:
    plan, kind = a.plan, CHEMISTRIES[c.chemistry]
    at_20h = at_rate_ah(c.rated_capacity_ah, c.rated_hours, RATE_HOURS, kind.peukert.value)
    needed = required_for(kind, plan, a.planned_ah, a.dark_days).with_margin_ah
    carries = at_20h >= needed
    fits, fit_said = _fits(c, plan.tray)
    charger, charger_said = _suits_charger(c, kind, plan)
    bursts, bursts_said = _suits_bursts(c, plan)
    cycles, depth = c.rated_cycles or kind.cycles.value, c.rated_cycles_depth_pct or kind.cycles_depth_pct
    years = min(SHELF_YEARS, years_of_cycles(plan, a.planned_ah, at_20h * DECLINE, cycles, depth))
    delivered_kwh = min(a.planned_ah, carried_ah(kind, plan, at_20h)) * plan.nominal_v / 1000 * plan.days_a_year * years
    cost = c.price / delivered_kwh if delivered_kwh > 0 else float("inf")
    usable = carried_ah(kind, plan, at_20h)
    carry_said = f"{'carries' if carries else 'does not carry'} the plan: {at_20h:.0f} Ah at the 20 h rate, {needed:.0f} Ah needed at {plan.temperature_c:.0f} °C"
    cycles_said = "the maker's cycles" if c.rated_cycles else "usual cycles of its kind"
    years_said = f"lasts {years:.0f} years at this use ({cycles_said}" + (", shelf life)" if years >= SHELF_YEARS else ")")
    return Weighed(
        c, fits, carries, usable, needed, charger, bursts, years, cost, (fit_said, carry_said, charger_said, bursts_said, years_said)
    )


def _fits(c: Candidate, tray: Tray) -> tuple[bool | None, str]:
    """Length and width may be swapped; the height may not, for acid and clamps."""
    sizes = (tray.length_mm, tray.width_mm, tray.height_mm, c.length_mm, c.width_mm, c.height_mm)
    known_mm = [mm for mm in sizes if mm is not None]
    if len(known_mm) < len(sizes):
        return None, "whether it fits cannot be said: a size is missing"
    room_length_mm, room_width_mm, room_height_mm, length_mm, width_mm, height_mm = known_mm
    lies = any(x <= room_length_mm and y <= room_width_mm for x, y in permutations((length_mm, width_mm)))
    if not lies or height_mm > room_height_mm:
        asked, room = (
            f"{length_mm:.0f} × {width_mm:.0f} × {height_mm:.0f} mm",
            f"{room_length_mm:.0f} × {room_width_mm:.0f} × {room_height_mm:.0f} mm",
        )
        return False, f"does not fit: {asked} in {room}"
    if tray.weight_kg is not None and c.weight_kg is not None and c.weight_kg > tray.weight_kg:
        return False, f"is too heavy: {c.weight_kg:.1f} kg for {tray.weight_kg:.1f} kg"
    return True, "fits the tray"


def _suits_charger(c: Candidate, kind: Chemistry, plan: Plan) -> tuple[bool | None, str]:
    charger = plan.charger
    if charger is None:
        return None, "whether the charger suits cannot be said: the plan names none"
    most_a = kind.bulk_current_c.high * c.rated_capacity_ah * 1.6  # judgement: as the rule for too much charging current
    if charger.current_a > most_a:
        return False, f"the charger's {charger.current_a:.0f} A are too much for it (about {most_a / 1.6:.0f} A)"
    if charger.absorption_v is None:
        return None, "whether the charger suits cannot be said: its absorption voltage is not given"
    cells = kind.cells_12v * plan.nominal_v / 12
    low, high = kind.absorption.low * cells, kind.absorption.high * cells
    if not low - 0.05 <= charger.absorption_v <= high + 0.05:
        return False, f"the charger's {charger.absorption_v:.1f} V do not suit it ({low:.1f} to {high:.1f} V)"
    if not kind.lead_acid and plan.temperature_c < kind.charge_lowest_c.value:
        return False, "must not be charged at the planned temperature, below freezing"
    return True, "the charger on board suits it"


def _suits_bursts(c: Candidate, plan: Plan) -> tuple[bool | None, str]:
    if not plan.bursts:
        return None, "no bursts are planned"
    most = max(burst_current_a(b, plan) for b in plan.bursts)
    if c.burst_limit_a is None:
        return None, f"whether it gives {most:.0f} A for a burst cannot be said: its limit is not given"
    if most > c.burst_limit_a:
        return False, f"gives {c.burst_limit_a:.0f} A, too little for bursts of {most:.0f} A"
    return True, f"gives {c.burst_limit_a:.0f} A, enough for bursts of {most:.0f} A"
