"""What a held charging voltage tells: the current that still flows is in proportion to what is missing. Full is where it ends.

At a fixed voltage the charge acceptance of a lead-acid battery falls nearly exponentially (the acceptance law of Mas 1967 and the tail
current of every maker's full criterion; from memory): missing charge = time constant × current.
"""

from __future__ import annotations

from math import exp, log

from analytics.assessment import Anchor
from analytics.estimate.belief import CAPACITY, DIAGONAL, OFFSET, SOC, TAIL, Filter, Marks, Slot
from analytics.estimate.counting import floating, gassing_a, possible
from analytics.estimate.filtering import MOST_SD, corrected, replaced
from analytics.estimate.model import REFERENCE_C, Model
from analytics.estimate.voltage import Seen
from analytics.value import changed

HELD_V = 0.04
"""For six cells: a charger's voltage stays within this. Judgement."""
TAIL_PER_K = 0.045
"""A warm battery takes charge faster. Judgement, of the order of the Arrhenius factor of acid diffusion and charge transfer."""
TAIL_LASTS_H = 1.5
"""How long an error of the acceptance law lasts. Judgement."""
TAIL_BIAS = 0.008
"""However long the charger holds, full is not known better than this. Judgement: makers' own full criteria differ by a percent or two."""
TAIL_PART = 0.15
"""The same as a part of what is missing. Judgement: the acceptance law is a law of thumb."""
FLOAT_SLOWER, FLOAT_SD = 1.0, 0.5
"""For each volt (six cells) below absorption the time constant is longer by this part, and less sure by that. Judgement: one simulated
family takes charge at float as fast as at absorption, the other takes nearly twice as long."""
DECAY_SD = 0.25
"""Spread of a time constant read from one fall of the current, natural logarithm. Judgement: temperature and loads move the current too."""
DECAY_AFTER_H = 1.25
"""Before, the current falls faster than the charge that is missing: the voltage's own polarisation settles. Judgement."""
LITHIUM_TAIL_H = 0.3
"""LiFePO4: the same time constant. Judgement: a tail of a twentieth of the capacity leaves about one percent."""
UNSEEN = 1.5
"""Standard deviations between the count and what is seen after a silence from which on the count is dropped. Judgement."""
UNSEEN_H = 2.0
"""Judgement: nothing worth the name is charged in a shorter silence, and a panel's readings have such silences every day."""
FULL_AFTER_H = 1.0
"""Trade: absorption held and the tail current for 1 to 3 h."""
FLOAT_AFTER_H, FLOAT_FULL = 4.0, 0.985
"""Judgement: a float voltage with next to no current for hours confirms a charge that the count calls full; it never makes one full."""
FULL_ONCE_MS = 86_400_000
"""Absorption and the float after it are one full charge."""


def absorbing(model: Model, seen: Seen) -> bool:
    """Whether a charger seems to hold the voltage at absorption: high enough after compensation, and current flows in."""
    warm = 0.0 if seen.temperature_c is None else min(20.0, max(-20.0, seen.temperature_c - REFERENCE_C))
    return seen.voltage_v >= model.full_v + min(0.0, model.compensation_v * warm) and seen.current_a > 0


def _held(model: Model, seen: Seen) -> bool:
    """Whether the voltage is one that only a charger holds, absorption or float."""
    least = model.float_v if model.lead else model.full_v
    return seen.voltage_v >= least and seen.current_a > -3 * model.battery.sensor.current_offset_a


def by_charger(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen) -> tuple[Filter, Marks, Anchor | None]:
    """The correction by a held voltage, and the full anchor once the current has fallen to the tail."""
    if not _held(model, seen):
        return f, marks if marks.held_since_ms is None else changed(marks, held_since_ms=None, held_v=None), None
    v, held, since_ms = seen.voltage_v, marks.held_v, marks.held_since_ms
    if since_ms is None or held is None or abs(v - held) > HELD_V * model.volts:
        sd = f.cov[0] ** 0.5
        return f, changed(marks, held_since_ms=slot.begin_ms, held_v=v, tail_a=None, decay_h=None, full_moved=0.0, full_sd=sd), None
    marks = changed(marks, held_v=held + 0.3 * (v - held))
    since_h = (slot.last_ms - since_ms) / 3.6e6
    if since_h < 0.25:
        return f, marks, None
    high = absorbing(model, seen)
    f, marks = _by_decay(model, f, marks, slot, seen, since_h, high)
    before = f.mean[SOC]
    f = by_tail(model, f, seen, since_h, marks.decay_h)
    after = f.mean[SOC]
    marks = changed(marks, full_moved=marks.full_moved + after - before)
    settled = since_h >= FULL_AFTER_H if high else since_h >= FLOAT_AFTER_H and after >= FLOAT_FULL
    if not settled or seen.current_a > model.tail_a:
        return f, marks, None
    known = marks.full_ms is not None and marks.full_ms >= min(since_ms, slot.last_ms - FULL_ONCE_MS)
    if known:
        return f, changed(marks, full_ms=slot.last_ms), None
    before, told = 100 * possible(after - marks.full_moved), 100 * possible(after)
    anchor = Anchor("full", slot.last_ms, before, told, marks.full_moved / max(marks.full_sd, 0.01))
    return f, changed(marks, full_ms=slot.last_ms), anchor


def after_silence(model: Model, f: Filter, seen: Seen) -> Filter:
    """The correction by a voltage that a charger holds when a silence ends, absorption or float.

    Where it says clearly more than the usual current carried on through the silence, a charge went unseen: the count is worth nothing then.
    Where it says less it may be a panel, whose current tells of the sun and not of what is missing.
    """
    if seen.hours >= UNSEEN_H and seen.current_a > 0 and _held(model, seen):
        alone = by_tail(model, replaced(f, SOC, 0.5, MOST_SD * MOST_SD), seen, 0.25)
        if alone.mean[SOC] - f.mean[SOC] > UNSEEN * (f.cov[0] + alone.cov[0]) ** 0.5:
            return alone
    return by_tail(model, f, seen, 0.25) if absorbing(model, seen) else f


def by_tail(model: Model, f: Filter, seen: Seen, since_h: float, decay_h: float | None = None) -> Filter:
    """Correction by the current at a held voltage: missing charge = time constant × current, less what only makes gas.

    `decay_h`: time constant with which the current was seen to fall at this very voltage. Below absorption the learned one is a poor
    guess, so there the two are averaged by variance.
    """
    temperature = 20.0 if seen.temperature_c is None else seen.temperature_c
    scale = model.capacity_ah * f.mean[CAPACITY]
    amps = max(0.0, seen.current_a - f.mean[OFFSET])
    gas = min(amps, gassing_a(model, seen.voltage_v, seen.temperature_c))
    hours = exp(f.mean[TAIL] - TAIL_PER_K * (temperature - 20.0)) if model.lead else LITHIUM_TAIL_H
    low = max(0.0, model.full_v - seen.voltage_v) / model.volts
    hours *= 1.0 + FLOAT_SLOWER * low
    learned_part, float_sd = 1.0, FLOAT_SD * low
    if decay_h is not None and low > 0:
        var = f.cov[DIAGONAL[TAIL]] + float_sd * float_sd
        learned_part = DECAY_SD * DECAY_SD / (var + DECAY_SD * DECAY_SD)
        hours = exp(learned_part * log(hours) + (1.0 - learned_part) * log(decay_h))
        float_sd *= learned_part
    missing = hours * (amps - gas) / scale
    part = 0.10 + 0.35 * exp(-since_h / 0.7) + float_sd + (1.0 - learned_part) * DECAY_SD
    sd = part * missing + 0.6 * hours * gas / scale + 0.005 + 0.005 * low
    lasting = TAIL_BIAS + TAIL_PART * missing
    room = 1.0 - lasting * lasting / f.cov[0]
    if room <= 0.01:
        return f
    per_offset = 0.0 if floating(model, seen.voltage_v, seen.current_a) else -hours / scale
    h = (1.0, per_offset, -missing / f.mean[CAPACITY], 0.0, 0.0, 0.0, 0.0, learned_part * missing if model.lead else 0.0)
    variance = sd * sd * max(1.0, TAIL_LASTS_H / max(seen.hours, 0.01)) / room
    return corrected(f, h, 1.0 - missing - f.mean[SOC], variance)[0]


def _by_decay(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen, since_h: float, high: bool) -> tuple[Filter, Marks]:
    """How fast the current falls at a held voltage is the time constant itself, once the first hour is over. `high`: at absorption."""
    net = seen.current_a - f.mean[OFFSET] - gassing_a(model, seen.voltage_v, seen.temperature_c)
    if not model.lead or since_h < DECAY_AFTER_H or net < 0.003 * model.capacity_ah:
        return f, changed(marks, tail_a=None)
    if marks.tail_a is None:
        return f, changed(marks, tail_a=net, tail_ms=slot.last_ms)
    hours = (slot.last_ms - marks.tail_ms) / 3.6e6
    if hours < 0.75:
        return f, marks
    decay_h = marks.decay_h
    if net < 0.97 * marks.tail_a:
        found_h = min(24.0, hours / log(marks.tail_a / net))
        decay_h = found_h if decay_h is None else decay_h + 0.4 * (found_h - decay_h)
        if high:
            temperature = 20.0 if seen.temperature_c is None else seen.temperature_c
            found = log(found_h) + TAIL_PER_K * (temperature - 20.0)
            f, _ = corrected(f, (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0), found - f.mean[TAIL], DECAY_SD**2)
    return f, changed(marks, tail_a=net, tail_ms=slot.last_ms, decay_h=decay_h)


def by_charger_alone(model: Model, f: Filter, marks: Marks, slot: Slot, seen: Seen) -> tuple[Marks, Anchor | None]:
    """Without a current: a voltage at absorption for hours, and the count that follows from acceptance near full."""
    high = seen.voltage_v >= model.full_v
    if not high:
        return marks if marks.held_since_ms is None else changed(marks, held_since_ms=None, held_v=None), None
    if marks.held_since_ms is None:
        return changed(marks, held_since_ms=slot.begin_ms, held_v=seen.voltage_v, full_moved=0.0, full_sd=f.cov[0] ** 0.5), None
    told = 100 * min(1.0, f.mean[SOC])
    if slot.last_ms - marks.held_since_ms < 4 * 3_600_000 or told < 95:
        return marks, None
    if marks.full_ms is not None and marks.full_ms >= marks.held_since_ms:
        return changed(marks, full_ms=slot.last_ms), None
    return changed(marks, full_ms=slot.last_ms), Anchor("full", slot.last_ms, told, told, 0.0)
