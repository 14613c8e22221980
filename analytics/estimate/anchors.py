"""Named corrections: rest and full. Each says what it changed and how much it disagreed; none is a jump without a variance."""

from __future__ import annotations

from analytics.assessment import Anchor
from analytics.estimate.belief import CAPACITY, SOC, Filter, Marks, Slot
from analytics.estimate.filtering import corrected
from analytics.estimate.model import REFERENCE_C, Model
from analytics.estimate.voltage import Seen

BY_SOC = (1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
REST_C = 0.004
"""Current at rest as a part of the capacity per hour. Judgement: standby loads and the offset of a shunt stay below it."""
SLOPE_V_PER_H = 0.003
"""For six cells. Judgement: the published relaxation trace falls by 100 mV/h in the first hours and 5 mV/h after five."""
ANCHOR_EVERY_MS = 6 * 3_600_000


def after(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen | None, before: float, surprise: float,
          anchor: Anchor | None) -> tuple[Filter, Marks, Anchor | None]:  # fmt: skip
    """Marks renewed after a slot, with the full anchor applied and the rest anchor named."""
    if seen is None:
        return f, marks, anchor
    marks = _resting(model, marks, slot, seen)
    if _is_rested(model, marks, slot) and (marks.rest_anchor_ms is None or slot.last_ms - marks.rest_anchor_ms >= ANCHOR_EVERY_MS):
        told = 100 * f.mean[SOC]
        if model.lead or any(low <= told <= high for low, high in model.battery.kind.voltage_tells):
            marks = marks._replace(rest_anchor_ms=slot.last_ms)
            anchor = Anchor("rest", slot.last_ms, 100 * before, told, surprise)
    return _full(model, f, marks, slot, seen, anchor)


def _resting(model: Model, marks: Marks, slot: Slot, seen: Seen) -> Marks:
    if abs(seen.current_a) > REST_C * model.capacity_ah:
        return (
            marks
            if marks.rest_since_ms is None
            else marks._replace(rest_since_ms=None, rest_v=None, slope_v_per_h=None, rest_anchor_ms=None)
        )
    if marks.rest_since_ms is None:
        return marks._replace(rest_since_ms=slot.begin_ms, rest_v=seen.voltage_v, rest_v_ms=slot.last_ms, slope_v_per_h=None)
    hours = (slot.last_ms - marks.rest_v_ms) / 3.6e6
    if hours < 1 or marks.rest_v is None:
        return marks
    return marks._replace(rest_v=seen.voltage_v, rest_v_ms=slot.last_ms, slope_v_per_h=(seen.voltage_v - marks.rest_v) / hours)


def _is_rested(model: Model, marks: Marks, slot: Slot) -> bool:
    if marks.rest_since_ms is None or marks.slope_v_per_h is None:
        return False
    return slot.last_ms - marks.rest_since_ms >= 2 * 3_600_000 and abs(marks.slope_v_per_h) < SLOPE_V_PER_H * model.volts


def _full(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen, anchor: Anchor | None) -> tuple[Filter, Marks, Anchor | None]:
    warm = 0.0 if seen.temperature_c is None else seen.temperature_c - REFERENCE_C
    absorbing = seen.voltage_v >= model.full_v - 0.02 * model.battery.cells + max(0.0, model.compensation_v * warm) * 0.0
    if not absorbing or seen.current_a < -0.2:
        return f, marks if marks.absorbing_since_ms is None else marks._replace(absorbing_since_ms=None, tail_a=None), anchor
    if marks.absorbing_since_ms is None:
        return f, marks._replace(absorbing_since_ms=slot.begin_ms), anchor
    if slot.last_ms - marks.absorbing_since_ms < 1_800_000 or seen.current_a > model.tail_a:
        return f, marks, anchor
    before = f.mean[SOC]
    left = 0.5 * seen.current_a * 1.0 / (model.capacity_ah * f.mean[CAPACITY])
    f, surprise = corrected(f, BY_SOC, 0.992 - left - before, (0.01**2 + left * left) * max(1.0, 1.0 / max(seen.hours, 0.01)))
    return f, marks._replace(full_ms=slot.last_ms), Anchor("full", slot.last_ms, 100 * before, 100 * f.mean[SOC], surprise)
