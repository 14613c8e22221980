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

MOST_C = 0.2
"""Heavier loads than this part of the capacity per hour reach the voltage long before the end. Judgement: the five-hour rate."""
RATE_PART = 0.4
"""Share of Peukert's loss that is still in the battery in truth and comes back with rest. Judgement: tests of the simulated families at the
five-hour rate leave 5 to 7 %, Peukert's law says 13 to 26 %."""
LEFT_SD = 0.035
"""Judgement: makers' own capacity tests differ by some percent."""
AGAIN_MS = 6 * 3_600_000


def at_end(model: Model, seen: Seen) -> bool:
    """Whether the voltage is where a discharge is ended, under a load of every day or none."""
    kind, cells = model.battery.kind, model.battery.cells
    return seen.voltage_v <= kind.end_of_discharge_v.value * cells and -MOST_C * model.capacity_ah <= seen.current_a <= 0.5 * model.step_a


def left(model: Model, seen: Seen) -> float:
    """State of charge (0 to 1, of the capacity at 25 °C) at the end of a discharge at this temperature and current."""
    kind, rate = model.battery.kind, -seen.current_a * model.battery.rated_hours / model.capacity_ah
    cold = 0.0 if seen.temperature_c is None else kind.capacity_per_k.value * max(0.0, REFERENCE_C - seen.temperature_c)
    return cold + (RATE_PART * (kind.peukert.value - 1.0) * log(rate) if rate > 1.0 else 0.0)


def by_end(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen) -> tuple[Filter, Marks, Anchor | None]:
    """The correction at the end of a discharge, and its anchor: told once, when it is reached.

    From then on a lower count is kept: what is drawn beyond the end must first be charged again.
    """
    if not at_end(model, seen):
        return f, marks, None
    before, sd = f.mean[SOC], f.cov[0] ** 0.5
    known = marks.empty_ms is not None and slot.last_ms - marks.empty_ms < AGAIN_MS
    if not known or before > left(model, seen):
        f = up_to(f, left(model, seen), LEFT_SD * LEFT_SD)
    after = f.mean[SOC]
    marks = marks._replace(empty_ms=slot.last_ms)
    if known:
        return f, marks, None
    return f, marks, Anchor("empty", slot.last_ms, 100 * possible(before), 100 * possible(after), (after - before) / max(sd, 0.01))
