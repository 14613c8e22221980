"""When a battery is at rest, and the anchor that names it: a slope that is small enough and time enough, never time alone."""

from __future__ import annotations

from analytics.assessment import Anchor
from analytics.estimate.belief import SOC, Filter, Marks, Slot
from analytics.estimate.counting import possible
from analytics.estimate.model import Model
from analytics.estimate.voltage import Seen
from analytics.value import changed

REST_C = 0.004
"""Current at rest as a part of the capacity per hour. Judgement: standby loads and the offset of a shunt stay below it."""
SLOPE_V_PER_H = 0.003
"""For six cells. Judgement: the published relaxation trace falls by 100 mV/h in the first hours and 5 mV/h after five."""
QUIET_V = 0.02
"""Without a current, a voltage that stays this close (six cells) is taken for rest. Judgement: a small pump or lamp moves it more."""
LEAST_MS = 2 * 3_600_000
ANCHOR_EVERY_MS = 6 * 3_600_000


def rest_marked(model: Model, marks: Marks, slot: Slot, seen: Seen, blind: bool, sd: float) -> Marks:
    """The marks after a slot: since when it rests, and how fast the voltage still moves. `sd`: of the state of charge now."""
    since_ms, v = marks.rest_since_ms, marks.rest_v
    if blind:
        loaded = seen.voltage_v > model.top_v + 0.1 * model.volts or (v is not None and abs(seen.voltage_v - v) > QUIET_V * model.volts)
    else:
        loaded = abs(seen.current_a) > REST_C * model.capacity_ah or seen.voltage_v >= model.float_v
    if loaded:
        return marks if since_ms is None else changed(marks, rest_since_ms=None, rest_v=None, slope_v_per_h=None, rest_anchor_ms=None)
    if since_ms is None or v is None:
        return changed(
            marks,
            rest_since_ms=slot.begin_ms,
            rest_v=seen.voltage_v,
            rest_v_ms=slot.last_ms,
            slope_v_per_h=None,
            rest_moved=0.0,
            rest_sd=sd,
        )
    hours = (slot.last_ms - marks.rest_v_ms) / 3.6e6
    if hours < 1:
        return marks
    return changed(marks, rest_v=seen.voltage_v, rest_v_ms=slot.last_ms, slope_v_per_h=(seen.voltage_v - v) / hours)


def settled(model: Model, marks: Marks, at_ms: int) -> bool:
    """Whether the voltage may count as a rest voltage."""
    since_ms, slope = marks.rest_since_ms, marks.slope_v_per_h
    return since_ms is not None and slope is not None and at_ms - since_ms >= LEAST_MS and abs(slope) < SLOPE_V_PER_H * model.volts


def rest_anchor(model: Model, f: Filter, marks: Marks, at_ms: int) -> Anchor | None:
    """The anchor if one is due: what the voltages of this rest have changed, against what was believed when it began."""
    if not settled(model, marks, at_ms):
        return None
    if marks.rest_anchor_ms is not None and at_ms - marks.rest_anchor_ms < ANCHOR_EVERY_MS:
        return None
    told = 100 * possible(f.mean[SOC])
    if not any(low <= told <= high for low, high in model.battery.kind.voltage_tells):
        return None
    return Anchor("rest", at_ms, 100 * possible(f.mean[SOC] - marks.rest_moved), told, marks.rest_moved / max(marks.rest_sd, 0.005))
