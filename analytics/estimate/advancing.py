"""One reading at a time: add to the open slot; every five minutes of data move the filter and correct it; a gap is closed at once.

A voltage that a person measured is folded here, too, for it may end a silence.
"""

from __future__ import annotations

from analytics.assessment import Anchor
from analytics.estimate.belief import OFFSET, SOC, Belief, Filter, Habit, Marks, N, Slot, prior
from analytics.estimate.charged import UNSEEN, after_silence, by_charger, by_charger_alone
from analytics.estimate.counting import STILL, between, over_gap, over_slot, possible
from analytics.estimate.emptied import at_end, by_end
from analytics.estimate.filtering import doubted, replaced
from analytics.estimate.model import Model, rest_pct
from analytics.estimate.resting import rest_anchor, rest_marked
from analytics.estimate.voltage import SENSOR_SD_V, Seen, by_voltage, by_voltage_alone, compensated, stepped
from analytics.reading import Reading
from analytics.value import changed, new

REST_MOVED = Marks._fields.index("rest_moved")
SLOT_MS = 300_000
"""Judgement: voltage errors last much longer than this, so more frequent corrections would tell nothing new."""
CALM_MS = 900_000
"""Judgement: while nothing changes, a third of the corrections tells as much."""
GAP_MS = 900_000
MISFIT_H = 1.5
"""Over how many hours surprises are averaged. Judgement."""
SAME_V = 0.0002
"""Means of two slots closer than this are the same: not even noise differs."""
DISTRUST = 5
"""Judgement: five times in a row is no chance, and a turned shunt is found within a day of use."""
AGAINST_V, WITHOUT_V, WITHOUT_ANY_V = 0.02, 0.05, 0.20
"""Six cells, from one slot to the next. Judgement: after a charger leaves, a voltage falls for a while though nothing flows."""
FEW = 2
"""Readings in a slot up to which, while a charger holds the voltage, currents are equal or opposed by chance: sun, clouds and the charger's
stages move them. Judgement: of twelve solar fortnights read every ten minutes two were called blind."""
STEP_MS = 120_000
"""Longer than this between two readings, a change of voltage is more than resistance."""
FAST_MS = 300_000.0
"""Time constant of the fast polarisation. Judgement."""
START_SD = {True: 0.022, False: 0.02}
"""Lead-acid, lithium. Standard deviation of a declared start: within three points in four of five cases. Judgement."""
HAND_SD_V = 0.04
"""What a hand-held voltmeter is off, six cells. Judgement: makers' sheets give half a percent and a few digits, 0.06 to 0.1 V at most."""
LEAST_C, MOST_C = -45.0, 75.0
"""No battery in use is colder or hotter. Common digital thermometers send 85 °C at start and -127 °C when cut off. Judgement."""


def believable_c(temperature_c: float | None) -> float | None:
    """The temperature, or None for a fault code or what no battery in use can have."""
    return temperature_c if temperature_c is not None and LEAST_C <= temperature_c <= MOST_C else None


def advance(model: Model, belief: Belief, reading: Reading) -> Belief:
    """The belief after one more reading, which is never older than the last. Pure, and cheap: a few microseconds."""
    _, _, f, slot, habit, marks, anchor = belief
    if f is None or slot is None or habit is None:
        return _first(model, belief, reading)
    _, at_ms, v, a, temperature, counter, _, _, _ = reading
    begin_ms, last_ms, last_v, last_a, last_ah, ah, doubt, count, v_sum, a_sum, fast_a, known_c = slot
    step_ms = float(at_ms - last_ms)  # a float at once: it is multiplied by others five times
    if step_ms <= 0.0:
        return belief
    if step_ms > GAP_MS and step_ms > 3.5 * habit.interval_ms:  # written out as in `_is_gap`: asked of every reading
        return _after_gap(model, belief, f, slot, habit, reading)
    blind, most_a = habit.blind, model.most_a
    if a is not None and not -most_a <= a <= most_a:
        a = last_a
    if temperature is not None and LEAST_C <= temperature <= MOST_C:
        known_c = temperature
    if a is None or a_sum is None:
        a_sum = None
        if a is not None and last_a is not None:
            ah += 0.5 * (a + last_a) * step_ms / 3.6e6
    else:
        a_sum += a
        was = a if last_a is None else last_a
        step_a, least_a = a - was, model.step_a
        moved = step_a * step_ms / 3.6e6
        if not -least_a <= step_a <= least_a and a <= least_a and was <= least_a and step_ms <= STEP_MS:
            soc = between(model, f, last_ms - begin_ms, 0.0 if blind else ah)
            habit = stepped(model, habit, (v - last_v) / step_a, step_a, soc)
        if counter is not None and last_ah is not None and abs(counter - last_ah) <= most_a * step_ms / 3.6e6:
            ah += counter - last_ah
        else:
            ah += was * step_ms / 3.6e6 + 0.5 * moved
            doubt += 0.08 * moved * moved
        fast_a += (a - fast_a) * step_ms / (step_ms + FAST_MS)
    slot = new(Slot, (begin_ms, at_ms, v, a, counter, ah, doubt, count + 1, v_sum + v, a_sum, fast_a, known_c))
    open_ms = at_ms - begin_ms
    if open_ms < SLOT_MS or (  # or the current is steady and no charger holds the voltage
        open_ms < CALM_MS and a is not None and not blind and v <= model.float_v and -model.calm_a < a - fast_a < model.calm_a
    ):
        return new(Belief, (at_ms, between(model, f, open_ms, 0.0 if blind else ah), f, slot, habit, marks, anchor))
    return _settled(model, belief, f, slot, habit)


def _first(model: Model, belief: Belief, reading: Reading) -> Belief:
    _, at_ms, v, a, temperature, counter, *_ = reading
    known_c = believable_c(temperature)
    amps = 0.0 if a is None else a
    habit = Habit(60_000.0, 0.0, (0.02 * model.capacity_ah) ** 2, model.ohms, (0.6 * model.ohms) ** 2, a is None, 1.0, v, amps, 0, 0)
    declared = belief.soc is not None
    soc = belief.soc if belief.soc is not None else (
        rest_pct(model, compensated(model, None, None, v, amps, amps), known_c) / 100 if model.lead else 0.5
    )  # fmt: skip
    f = prior(model, soc, START_SD[model.lead] if declared else 0.20 if model.lead else 0.30)
    slot = Slot(at_ms, at_ms, v, a, counter, 0.0, 0.0, 1, v, a, amps, known_c)
    if habit.blind:
        f = f._replace(cov=(*f.cov[:N], habit.spread_a2, *f.cov[N + 1 :]))
    f = _corrected(model, f, habit, Seen(v, amps, amps, known_c, 0.1))[0]
    anchor = Anchor("declared", at_ms, None, 100 * soc, 0.0) if declared else belief.anchor
    return Belief(at_ms, possible(f.mean[0]), f, _opened(slot), habit, belief.marks, anchor)


def _opened(slot: Slot) -> Slot:
    """An empty slot that begins where this one ended."""
    _, last_ms, last_v, last_a, last_ah, _, _, _, _, _, fast_a, temperature_c = slot
    return new(Slot, (last_ms, last_ms, last_v, last_a, last_ah, 0.0, 0.0, 0, 0.0, 0.0, fast_a, temperature_c))


def _settled(model: Model, belief: Belief, f: Filter, slot: Slot, habit: Habit) -> Belief:
    """Slot closed: predict, correct by voltage, look for anchors."""
    f = over_slot(model, f, habit, slot)
    last_ms = slot.last_ms
    hours = (last_ms - slot.begin_ms) / 3.6e6
    was_blind = habit.blind
    habit = _habit(model, habit, f, slot, hours)
    blind = habit.blind
    if blind != was_blind:
        f = _switched(model, f, habit)
    seen = _seen(habit, slot, hours)
    marks, anchor = belief.marks, belief.anchor
    if seen is not None:
        counted, sd = f.mean[SOC], f.cov[0] ** 0.5
        f, surprise = _corrected(model, f, habit, seen)
        misfit = habit.misfit + (min(surprise * surprise, 25.0) - habit.misfit) * min(1.0, hours / MISFIT_H)
        habit = new(Habit, (*habit[:6], misfit, *habit[7:]))
        marks = rest_marked(model, marks, slot, seen, blind, sd)
        marks = new(Marks, (*marks[:REST_MOVED], marks.rest_moved + f.mean[SOC] - counted, *marks[REST_MOVED + 1 :]))
        found = rest_anchor(model, f, marks, last_ms)
        if found is not None:
            marks = changed(marks, rest_anchor_ms=last_ms)
        if blind:
            marks, full = by_charger_alone(model, f, marks, slot, seen)
        else:
            f, marks, full = by_charger(model, f, marks, slot, seen)
            f, marks, empty = by_end(model, f, marks, slot, seen)
            full = empty or full
        anchor = full or found or anchor
    return new(Belief, (last_ms, possible(f.mean[SOC]), f, _opened(slot), habit, marks, anchor))


def _switched(model: Model, f: Filter, habit: Habit) -> Filter:
    """The offset state anew: a current that is no longer believed, or one that is believed again."""
    if habit.blind:
        return replaced(f, OFFSET, 0.0, max(habit.spread_a2, (0.02 * model.capacity_ah) ** 2))
    return replaced(f, OFFSET, 0.0, max(0.002, model.battery.sensor.current_offset_a) ** 2)


def _corrected(model: Model, f: Filter, habit: Habit, seen: Seen) -> tuple[Filter, float]:
    if habit.blind:
        return by_voltage_alone(model, f, habit, seen)
    if at_end(model, seen):
        return f, 0.0
    return by_voltage(model, f, habit, seen) or (f, 0.0)


def _seen(habit: Habit, slot: Slot, hours: float) -> Seen | None:
    if slot.readings == 0 or (slot.a_sum is None and not habit.blind) or habit.still >= STILL:
        return None
    amps = 0.0 if slot.a_sum is None else slot.a_sum / slot.readings
    return new(Seen, (slot.v_sum / slot.readings, amps, slot.fast_a, slot.temperature_c, hours, SENSOR_SD_V))


def _habit(model: Model, habit: Habit, f: Filter, slot: Slot, hours: float) -> Habit:
    """The habit after one more slot."""
    interval, mean, spread, r, r_var, blind, misfit, last_v, last_a, distrust, still = habit
    readings, a_sum = slot.readings, slot.a_sum
    interval += (1000 * 3600 * hours / (readings or 1) - interval) * 0.05
    v = slot.v_sum / readings if readings else slot.last_v
    shown_a = None if a_sum is None or not readings else a_sum / readings
    if shown_a is not None:
        if slot.readings > FEW or v < model.float_v or last_v < model.float_v:
            distrust = _distrusted(model, distrust, v - last_v, shown_a, last_a)
        blind = distrust >= (1 if blind else DISTRUST)
        still = 0 if abs(v - last_v) > SAME_V else still + 1 if _should_move(model, v, shown_a, last_a) else still
        last_a = shown_a
    amps = -f.mean[OFFSET] if blind else slot.ah / hours if hours > 0 else 0.0
    w = min(0.5, hours / 24)
    spread += ((amps - mean) ** 2 - spread) * w
    return new(Habit, (interval, mean + (amps - mean) * w, spread, r, r_var, blind, misfit, v, last_a, distrust, min(still, 100)))


def _should_move(model: Model, v: float, a: float, last_a: float) -> bool:
    """Whether a current has changed so much that no voltage but a charger's could stand still."""
    return v < model.float_v and abs(a - last_a) > 0.5 * model.step_a


def _distrusted(model: Model, distrust: int, moved_v: float, a: float, last_a: float) -> int:
    """One more for a current that moved against the voltage or did not move with it at all, one less for one that agreed."""
    step_a = a - last_a
    if abs(step_a) > model.step_a and abs(moved_v) > AGAINST_V * model.volts:
        return max(0, distrust - 1) if (step_a > 0) == (moved_v > 0) else min(2 * DISTRUST, distrust + 1)
    if abs(step_a) < 1e-6 and abs(moved_v) > (WITHOUT_V if abs(a) > 0.01 else WITHOUT_ANY_V) * model.volts:
        return min(2 * DISTRUST, distrust + 1)
    return distrust


def _is_gap(habit: Habit, ms: float) -> bool:
    """Whether so long without a reading is a silence, and not the sensor's own pace."""
    return ms > GAP_MS and ms > 3.5 * habit.interval_ms


def _after_gap(model: Model, belief: Belief, f: Filter, slot: Slot, habit: Habit, reading: Reading) -> Belief:
    """A silence: settle what was open, let doubt grow, and correct at once by what is seen now."""
    _, at_ms, v, a, temperature, counter, *_ = reading
    hours = (at_ms - slot.last_ms) / 3.6e6
    known_ah = None if counter is None or slot.last_ah is None else counter - slot.last_ah
    if known_ah is not None and abs(known_ah) > min(1.5 * model.capacity_ah, model.most_a * hours):
        known_ah = None  # the counter began anew
    f, habit, marks = _through_gap(model, belief, f, slot, habit, hours, known_ah)
    before = possible(f.mean[0])
    known_c = believable_c(temperature)
    known_c = slot.temperature_c if known_c is None else known_c
    amps = 0.0 if a is None else a
    seen = Seen(v, amps, amps, known_c, min(8.0, hours))
    surprise = 0.0
    if a is not None or habit.blind:
        counted = f
        f, surprise = _corrected(model, counted, habit, seen)
        if abs(surprise) > UNSEEN:
            f, _ = _corrected(model, doubted(counted), habit, seen)
        if a is not None and not habit.blind:
            f = after_silence(model, f, seen)
    after = possible(f.mean[0])
    anchor = Anchor("gap", at_ms, 100 * before, 100 * after, surprise)
    habit = habit._replace(interval_ms=min(at_ms - slot.last_ms, 2.0 * habit.interval_ms))
    fresh_slot = Slot(at_ms, at_ms, v, a, counter, 0.0, 0.0, 0, 0.0, 0.0, amps, known_c)
    return Belief(at_ms, after, f, fresh_slot, habit, marks, anchor)


def _through_gap(
    model: Model, belief: Belief, f: Filter, slot: Slot, habit: Habit, hours: float, known_ah: float | None
) -> tuple[Filter, Habit, Marks]:
    """The filter at the end of a silence, and what of habit and marks outlasts it."""
    marks = belief.marks
    if slot.readings:
        settled = _settled(model, belief, f, slot, habit)
        assert settled.filter is not None
        assert settled.habit is not None
        f, habit, marks = settled.filter, settled.habit, settled.marks
    marks = changed(marks, rest_since_ms=None, rest_v=None, slope_v_per_h=None, held_since_ms=None, held_v=None)
    return over_gap(model, f, habit, slot, hours, known_ah), habit, marks


def checked(model: Model, belief: Belief, at_ms: int, voltage_v: float) -> Belief:
    """The belief after a person measured the voltage at rest, as after a silence: a count that it contradicts is dropped.

    While the sensor speaks, one of two voltmeters must be wrong then: the doubt spans both, and the sensor's next voltages decide.
    """
    _, told, f, slot, habit, marks, _ = belief
    if told is None or f is None or slot is None or habit is None:
        return belief
    silent_ms = at_ms - slot.last_ms
    silent = _is_gap(habit, silent_ms)
    if silent:
        f, habit, marks = _through_gap(model, belief, f, slot, habit, silent_ms / 3.6e6, None)
        slot = Slot(at_ms, at_ms, voltage_v, 0.0, None, 0.0, 0.0, 0, 0.0, 0.0, 0.0, slot.temperature_c)
    seen = Seen(voltage_v, 0.0, 0.0, slot.temperature_c, 1.0, HAND_SD_V)
    counted = f
    done = by_voltage(model, counted, habit, seen)
    if done is None:
        return belief
    f, surprise = done
    if abs(surprise) > UNSEEN:
        f, _ = by_voltage(model, doubted(counted), habit, seen) or done
    moved = f.mean[SOC] - counted.mean[SOC]
    if not silent:
        marks = changed(marks, rest_moved=marks.rest_moved + moved)
        if abs(surprise) > UNSEEN:
            f = doubted(f, 0.5 * moved * moved)
    after = between(model, f, slot.last_ms - slot.begin_ms, 0.0 if habit.blind else slot.ah)
    anchor = Anchor("check", at_ms, 100 * told, 100 * after, surprise)
    return Belief(at_ms if silent else belief.at_ms, after, f, slot, habit, marks, anchor)


__all__ = ["Marks", "advance", "believable_c", "checked"]
