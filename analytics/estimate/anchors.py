"""Named corrections: rest and full. Each says what it changed and how much it disagreed; none is a jump without a variance."""

from __future__ import annotations

from math import exp, log

from analytics.assessment import Anchor
from analytics.estimate.belief import CAPACITY, OFFSET, SOC, TAIL, Filter, Marks, Slot
from analytics.estimate.counting import gassing_a
from analytics.estimate.filtering import corrected
from analytics.estimate.model import REFERENCE_C, Model
from analytics.estimate.voltage import Seen

REST_C = 0.004
"""Current at rest as a part of the capacity per hour. Judgement: standby loads and the offset of a shunt stay below it."""
SLOPE_V_PER_H = 0.003
"""For six cells. Judgement: the published relaxation trace falls by 100 mV/h in the first hours and 5 mV/h after five."""
HELD_V = 0.04
"""For six cells: a charger's voltage stays within this at absorption. Judgement."""
TAIL_PER_K = 0.045
"""A warm battery takes charge faster. Judgement, of the order of the Arrhenius factor of acid diffusion and charge transfer."""
TAIL_LASTS_H = 2.0
TAIL_BIAS = 0.009
"""However long the charger holds, full is not known better than this. Judgement: makers' own full criteria differ by a percent or two."""
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


def absorbing(model: Model, seen: Seen) -> bool:
    """Whether a charger seems to hold the voltage at absorption: high enough after compensation, and current flows in."""
    warm = 0.0 if seen.temperature_c is None else min(20.0, max(-20.0, seen.temperature_c - REFERENCE_C))
    return seen.voltage_v >= model.full_v + min(0.0, model.compensation_v * warm) and seen.current_a > 0


def _held(model: Model, seen: Seen) -> bool:
    """Whether the voltage is one that only a charger holds, absorption or float."""
    least = model.float_v if model.lead else model.full_v
    return seen.voltage_v >= least and seen.current_a > -3 * model.battery.sensor.current_offset_a


def _full(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen, anchor: Anchor | None) -> tuple[Filter, Marks, Anchor | None]:
    """While the voltage is held, the current tells what is still missing: it falls in proportion to it (acceptance)."""
    if not _held(model, seen):
        return f, marks if marks.absorbing_since_ms is None else marks._replace(absorbing_since_ms=None, held_v=None), anchor
    v, held = seen.voltage_v, marks.held_v
    if marks.absorbing_since_ms is None or held is None or abs(v - held) > HELD_V * model.volts:
        return f, marks._replace(absorbing_since_ms=slot.begin_ms, held_v=v, tail_a=None), anchor
    marks = marks._replace(held_v=held + 0.3 * (v - held))
    since_h = (slot.last_ms - marks.absorbing_since_ms) / 3.6e6
    if since_h < 0.25:
        return f, marks, anchor
    before = f.mean[SOC]
    high = absorbing(model, seen)
    if high:
        f, marks = _decay(model, f, marks, slot, seen, since_h)
    f, told = by_tail(model, f, seen, since_h)
    surprise = 0.0 if told is None else told
    if since_h < 1.0 or seen.current_a > model.tail_a or not high:
        return f, marks, anchor
    return f, marks._replace(full_ms=slot.last_ms), Anchor("full", slot.last_ms, 100 * before, 100 * f.mean[SOC], surprise)


def by_tail(model: Model, f: Filter, seen: Seen, since_h: float) -> tuple[Filter, float | None]:
    """Correction by the current at a held voltage: missing charge = time constant × current, less what only makes gas."""
    temperature = 20.0 if seen.temperature_c is None else seen.temperature_c
    scale = model.capacity_ah * f.mean[CAPACITY]
    amps = max(0.0, seen.current_a - f.mean[OFFSET])
    gas = min(amps, gassing_a(model, seen.voltage_v, seen.temperature_c))
    hours = exp(f.mean[TAIL] - TAIL_PER_K * (temperature - 20.0)) if model.lead else 0.3
    low = max(0.0, model.full_v - seen.voltage_v) / model.volts
    hours *= 1.0 + 0.25 * low
    missing = hours * (amps - gas) / scale
    part = 0.10 + 0.35 * exp(-since_h / 0.7) + 0.25 * low
    sd = part * missing + 0.6 * hours * gas / scale + 0.005 + 0.005 * low
    lasting = TAIL_BIAS + 0.15 * missing
    room = 1.0 - lasting * lasting / f.cov[0]
    if room <= 0.01:
        return f, None
    h = ((SOC, 1.0), (OFFSET, -hours / scale), (CAPACITY, -missing / f.mean[CAPACITY]), (TAIL, missing if model.lead else 0.0))
    return corrected(f, h, 1.0 - missing - f.mean[SOC], sd * sd * max(1.0, TAIL_LASTS_H / max(seen.hours, 0.01)) / room)


def _decay(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen, since_h: float) -> tuple[Filter, Marks]:
    """How fast the current falls at a held voltage is the time constant itself, once the first hour is over."""
    net = seen.current_a - gassing_a(model, seen.voltage_v, seen.temperature_c)
    if not model.lead or since_h < 1.25 or net < 0.003 * model.capacity_ah:
        return f, marks._replace(tail_a=None)
    if marks.tail_a is None:
        return f, marks._replace(tail_a=net, tail_ms=slot.last_ms)
    hours = (slot.last_ms - marks.tail_ms) / 3.6e6
    if hours < 0.75:
        return f, marks
    if net < 0.97 * marks.tail_a:
        temperature = 20.0 if seen.temperature_c is None else seen.temperature_c
        found = log(hours / log(marks.tail_a / net)) + TAIL_PER_K * (temperature - 20.0)
        f, _ = corrected(f, ((TAIL, 1.0),), found - f.mean[TAIL], 0.3**2)
    return f, marks._replace(tail_a=net, tail_ms=slot.last_ms)
