"""What the end of a discharge tells: under a usual load the voltage has fallen to where a discharge is ended, so hardly anything is left.

How much is left there depends on temperature and rate (a cold or hard-driven battery stops early). Under bursts it tells nothing.
"""

from __future__ import annotations

from math import log

from analytics.assessment import Anchor
from analytics.estimate.belief import SOC, Filter, Marks, Slot
from analytics.estimate.counting import possible
from analytics.estimate.lithium import up_to
from analytics.estimate.model import REFERENCE_C, Model
from analytics.estimate.voltage import Seen
from analytics.value import changed

MOST_C = 0.2
"""Heavier loads than this part of the capacity per hour reach the voltage long before the end. Judgement: the five-hour rate."""
RATE_PART = 0.4
"""Share of Peukert's loss that is still in the battery in truth and comes back with rest. Judgement: tests of the simulated families at the
five-hour rate leave 5 to 7 %, Peukert's law says 13 to 26 %."""
SLOWLY = 0.3
"""Power of the load, below the rate of the declaration, with which the cold's share falls. Judgement: slowly, most of it comes out."""
LEFT_SD = 0.035
"""Judgement: makers' own capacity tests differ by some percent."""
COLD_SD, SLOW_SD = 0.15, 0.5
"""Parts of what the cold holds back that are not known: at the rate of the declaration, and of what a slow discharge may bring out. Judgement."""
AGAIN_MS = 6 * 3_600_000


def at_end(model: Model, seen: Seen) -> bool:
    """Whether the voltage is where a discharge is ended, under a load of every day or none."""
    return seen.voltage_v <= model.end_v and -MOST_C * model.capacity_ah <= seen.current_a <= 0.5 * model.step_a


def left(model: Model, seen: Seen) -> float:
    """State of charge (0 to 1, of the capacity at 25 °C) at the end of a discharge at this temperature and current."""
    kind, rate = model.battery.kind, _rate(model, seen)
    return _cold(model, seen)[0] + (RATE_PART * (kind.peukert.value - 1.0) * log(rate) if rate > 1.0 else 0.0)


def _rate(model: Model, seen: Seen) -> float:
    """Load as a multiple of the rate at which the capacity is declared."""
    return max(0.0, -seen.current_a) * model.battery.rated_hours / model.capacity_ah


def _cold(model: Model, seen: Seen) -> tuple[float, float]:
    """What the cold holds back, and how far that may be off: less, and less known, under a slow discharge."""
    if seen.temperature_c is None:
        return 0.0, 0.0
    most = model.battery.kind.capacity_per_k.value * max(0.0, REFERENCE_C - seen.temperature_c)
    part = min(1.0, _rate(model, seen)) ** SLOWLY
    return most * part, most * (COLD_SD + SLOW_SD * (1.0 - part))


def by_end(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen) -> tuple[Filter, Marks, Anchor | None]:
    """The correction at the end of a discharge, and its anchor: told once, when it is reached.

    From then on a lower count is kept: what is drawn beyond the end must first be charged again.
    """
    if not at_end(model, seen):
        return f, marks, None
    before, sd = f.mean[SOC], f.cov[0] ** 0.5
    known = marks.empty_ms is not None and slot.last_ms - marks.empty_ms < AGAIN_MS
    if not known or before > left(model, seen):
        f = up_to(f, left(model, seen), LEFT_SD**2 + _cold(model, seen)[1] ** 2)
    after = f.mean[SOC]
    marks = changed(marks, empty_ms=slot.last_ms)
    if known:
        return f, marks, None
    return f, marks, Anchor("empty", slot.last_ms, 100 * possible(before), 100 * possible(after), (after - before) / max(sd, 0.01))
