"""What the terminals should show for a belief, how sure that is, and the correction by it. Ceraolo 2000's circuit, in four parts."""

from __future__ import annotations

from math import exp
from typing import NamedTuple

from analytics.estimate.belief import CAPACITY, DIAGONAL, OFFSET, PER_K, SLOW, SOC, SURFACE, TABLE, TAIL, Filter, Habit
from analytics.estimate.counting import MISFIT, SLOW_PART, plateau_v
from analytics.estimate.filtering import corrected, replaced
from analytics.estimate.lithium import WIDE_SD, by_curve, by_curve_alone, room, secant, unsure_v, up_to
from analytics.estimate.model import REFERENCE_C, Model, slope

FAST_PART = 0.3
"""Share of the slow polarisation's resistance that follows within minutes. Judgement from relaxation curves."""
SENSOR_SD_V = 0.005
"""Noise and steps of a voltmeter, six cells. Judgement."""
LOAD_PART = 0.25
"""How far the voltage under load is from its model, as a part of the drop. Judgement."""
KNEE_PART = 0.75
"""The same near empty, where the voltage under load falls away (times the fourth power of the depth). Judgement."""
ABOVE_V = 0.1
"""Further above a full battery's rest voltage (six cells) the charger speaks, or its echo, and not the state of charge. Judgement."""
CHARGED_V, CHARGED_C = 0.08, 0.005
"""How far above rest a voltage may stand under any charge worth the name (six cells; part of the capacity per hour). Judgement: the
acceptance of a lead-acid plate is not its resistance, and a panel's current has changed many times in the last hours."""
ACCEPTANCE = 10.0
"""How many times the fall of a load of the same strength a charge may lift the voltage in addition. Judgement."""
REMEMBERED_H = 2.0
"""How long such an error lasts: a reading within that time tells the same again."""
STEP_PART = 0.4
"""Spread of a single step's resistance, as a part: a shunt that averages and a voltmeter that does not see different moments."""
LITHIUM_REMEMBERED_H = 8.0
"""The same for lithium, whose voltage takes a day to settle (Voicila et al. 2025, Batteries 11(5), 186)."""
DOUBTED_V = 0.03
"""What a voltage is off, for each unit of misfit, once the model is doubted (six cells). Judgement: a load that the shunt does not see."""
SPENT, SPENT_SD, SPENT_MOST = 0.10, 0.05, 0.40
"""Below this state of charge, and as much higher as the cold takes away, a rested lead-acid battery may stand well below any table: some
plates are spent before the others. How far that hides the state of charge however often it is read, and from where on it never does.
Judgement: tests of a battery below zero degrees stop with a fifth of its charge left in it."""
SPENT_V = 0.1
"""Further below an empty battery's rest voltage (six cells) it is spent, and the voltage tells nothing else. Judgement."""
UNKNOWN_C = 10.0
"""How cold a battery may be whose temperature is not known. Judgement: a night in spring."""
WEAKER = 1.2
"""Resistance grows towards empty, by this part of the square of the depth. Judgement: acid and active material run out."""


FLATTER, STEEPER = 0.7, 1.5
"""A lead-acid curve's slope counts as the same all along it within these parts of its mean. Judgement: corrections then overshoot by less
than half, which the next one mends."""


class Seen(NamedTuple):
    """A voltage with what is needed to understand it: means over a slot."""

    voltage_v: float
    current_a: float
    fast_a: float
    temperature_c: float | None
    hours: float
    sd_v: float = SENSOR_SD_V
    """Of the voltmeter, six cells."""


def steady_slope(model: Model, soc: float) -> tuple[float, float]:
    """Rest voltage at 25 °C, and a slope that is the same wherever the curve is about as steep as on the whole (volts for all charge).

    With another slope on either side of a corner the filter would believe that it had seen state of charge and table error apart, which
    no voltage can; its doubt would vanish and its means wander (the known inconsistency of extended filters; Huang, Mourikis & Roumeliotis
    2010, from memory, keep the first slope for the same reason).
    """
    rest, per_soc = slope(model, soc)
    part = per_soc / model.chord
    return rest, model.chord if FLATTER < part < STEEPER else per_soc / (FLATTER if part <= FLATTER else STEEPER)


def weakness(model: Model, soc: float) -> float:
    """Resistance at a state of charge over that of a full battery."""
    deep = 1.0 if soc <= 0.0 else 1.0 - soc if soc < 1.0 else 0.0
    return 1.0 + WEAKER * deep * deep if model.lead else 1.0 + 0.3 * deep * deep


def drop(habit: Habit, current_a: float, fast_a: float) -> float:
    """The part of a full battery's voltage that comes from the current of now and of the last minutes."""
    return habit.resistance * (current_a + FAST_PART * fast_a)


def _spent_sd(model: Model, soc: float, temperature_c: float | None) -> float:
    """How far plates that are spent too soon hide the state of charge."""
    cold = model.battery.kind.capacity_per_k.value * max(0.0, REFERENCE_C - (UNKNOWN_C if temperature_c is None else temperature_c))
    return SPENT_SD * min(1.0, max(0.0, (SPENT + cold - soc) / SPENT))


def by_voltage(model: Model, f: Filter, habit: Habit, seen: Seen) -> tuple[Filter, float] | None:
    """The filter corrected by a voltage, and the surprise; None where the voltage tells nothing (charging, mid-range lithium)."""
    soc, _, _, table_v, slow_v, surface_v, per_k, _ = f.mean
    sd = f.cov[0] ** 0.5
    rest, per_soc, bend = (*steady_slope(model, soc), 0.0) if model.lead else secant(model, soc, sd)
    v, a = seen.voltage_v, seen.current_a
    warm = 0.0 if seen.temperature_c is None else seen.temperature_c - REFERENCE_C
    weak = weakness(model, soc)
    full_fall = drop(habit, a, seen.fast_a)
    fall = weak * full_fall
    expected = rest + table_v + slow_v + surface_v + warm * per_k + fall
    deep = (1.0 - soc) ** 4
    lasting = max(1.0, (REMEMBERED_H if model.lead else LITHIUM_REMEMBERED_H) / max(seen.hours, 0.01))
    load = (LOAD_PART + KNEE_PART * deep) * (fall + slow_v)
    if v - fall > model.top_v + ABOVE_V * model.volts:
        return None
    told = 1.0
    if model.lead and soc < SPENT_MOST:
        hidden = _spent_sd(model, soc, seen.temperature_c)
        told -= hidden * hidden / f.cov[0]
        per_soc = min(per_soc, model.chord) if hidden > 0 else per_soc
        if told < 0.02 or (hidden > 0 and v - fall < model.grid[0] - SPENT_V * model.volts):
            return None
    if a > 0:
        most = CHARGED_V * model.volts * min(1.0, a / (CHARGED_C * model.capacity_ah))
        load = max(abs(load), most, min(v - rest, most + ACCEPTANCE * fall))
    variance = ((seen.sd_v * model.volts) ** 2 + load * load * lasting) / told
    if habit.misfit > MISFIT:
        variance += (habit.misfit * DOUBTED_V * model.volts) ** 2
    if not model.lead:
        if sd > WIDE_SD:
            return by_curve(model, f, v - expected + rest, load * load + (0.01 * model.volts) ** 2, lasting), 0.0
        allowed = room(model, soc, f.cov[0])
        if allowed < 0.02:
            hidden = f.cov[DIAGONAL[TABLE]] + f.cov[DIAGONAL[SURFACE]] + 4 * load * load + unsure_v(model) ** 2 + (0.01 * model.volts) ** 2
            if (v - expected) ** 2 < BEYOND**2 * hidden:
                return None
            return by_curve_alone(model, f, v - expected + rest, hidden), 0.0
        variance = (variance + bend * bend + (0.01 * model.volts) ** 2 * lasting) / allowed
    steeper = -2 * (weak - 1) / max(0.05, 1 - soc) * full_fall if a < 0 else 0.0
    h = (per_soc + steeper, 0.0, 0.0, 1.0, 1.0, 1.0, warm, 0.0)
    return corrected(f, h, v - expected, variance)


def by_voltage_alone(model: Model, f: Filter, habit: Habit, seen: Seen) -> tuple[Filter, float]:
    """The same without a current: the unknown current (the offset state, turned) shares in the explanation of the voltage.

    Above what rest can be, a charger is at work: the current follows from what the battery accepts.
    """
    if not model.lead:
        return _lithium_alone(model, f, habit, seen), 0.0
    soc, amps = f.mean[SOC], -f.mean[OFFSET]
    rest, per_soc = steady_slope(model, soc)
    warm = 0.0 if seen.temperature_c is None else seen.temperature_c - REFERENCE_C
    rest += f.mean[TABLE] + f.mean[SLOW] + f.mean[SURFACE] + warm * f.mean[PER_K]
    over = seen.voltage_v - rest
    if seen.voltage_v > model.top_v + ABOVE_V * model.volts:
        most = 0.15 * model.capacity_ah
        takes = max(0.0, 1.0 - soc) * model.capacity_ah * f.mean[CAPACITY] / exp(f.mean[TAIL])
        flows = max(0.0, min(most, takes, over / (6 * habit.resistance)))
        sd = BLIND_PART * flows + 0.005 * model.capacity_ah
        return replaced(f, OFFSET, -flows, sd * sd), 0.0
    lasting = max(1.0, REMEMBERED_H / max(seen.hours, 0.01))
    ohms = habit.resistance * (1.0 + FAST_PART) * weakness(model, soc)
    load = max(BLIND_PART * ohms * abs(amps), UNSEEN_CHARGE * over)
    variance = (2 * SENSOR_SD_V * model.volts) ** 2 + load * load * lasting
    h = (per_soc, -ohms, 0.0, 1.0, 1.0, 1.0, warm, 0.0)
    return corrected(f, h, over - ohms * amps, variance)


def _lithium_alone(model: Model, f: Filter, habit: Habit, seen: Seen) -> Filter:
    """Lithium without a current. Above the plateau a charger is at work; at its highest voltage the battery is nearly full.

    Half of what the voltage is off may be the unseen current.
    """
    v, soc = seen.voltage_v, f.mean[SOC]
    if v >= model.full_v:
        return up_to(replaced(f, OFFSET, 0.0, (0.01 * model.capacity_ah) ** 2), CHARGED_SOC, CHARGED_SOC_SD**2)
    off = v - slope(model, soc)[0] - f.mean[TABLE] - f.mean[SURFACE]
    if v > plateau_v(model) and off > 0:
        flows = min(0.5 * model.capacity_ah, off / ((1.0 + SLOW_PART) * habit.resistance))
        sd = BLIND_PART * flows + 0.005 * model.capacity_ah
        f = replaced(f, OFFSET, -flows, sd * sd)
    load = BLIND_PART * abs(off) + LITHIUM_LOAD_V * model.battery.cells + unsure_v(model)
    return by_curve_alone(model, f, v - f.mean[TABLE] - f.mean[SURFACE], load * load)


UNSEEN_CHARGE = 0.12
"""How much of a voltage above rest an unseen charge may explain beyond the current that is guessed. Judgement: sun changes with clouds."""
BLIND_PART = 0.5
"""How far a current guessed from a voltage may be off, as a part. Judgement."""


CHARGED_SOC, CHARGED_SOC_SD = 0.975, 0.03
"""Lithium that a charger has brought to its absorption voltage. Judgement: the faster the charger, the more is still missing."""
BEYOND = 2.0
"""Standard deviations of curve, hysteresis and load from which on even lithium's flat curve contradicts the count. Judgement."""
LITHIUM_LOAD_V = 0.008
"""What unseen loads of a few amperes change, a cell. Judgement."""


def stepped(model: Model, habit: Habit, ohms: float, step_a: float, soc: float) -> Habit:
    """Resistance learned from one load step: change of voltage over change of current (internal apparent resistance)."""
    seen = ohms / weakness(model, soc)
    r, var = habit.resistance, habit.resistance_var + (0.003 * habit.resistance) ** 2
    noise = (1.4 * SENSOR_SD_V * model.volts / step_a) ** 2 + (STEP_PART * r) ** 2
    if not 0.2 * r < seen < 4 * r:
        noise *= 25
    gain = var / (var + noise)
    r = min(10 * model.ohms, max(0.2 * model.ohms, r + gain * (seen - r)))
    return habit._replace(resistance=r, resistance_var=(1 - gain) * var)


def compensated(model: Model, f: Filter | None, habit: Habit | None, voltage_v: float, current_a: float, fast_a: float) -> float:
    """The rest voltage that a loaded voltage stands for."""
    if habit is None or f is None:
        return voltage_v - 1.3 * model.ohms * current_a
    return voltage_v - weakness(model, f.mean[SOC]) * drop(habit, current_a, fast_a) - f.mean[SLOW]


__all__ = ["Seen", "by_voltage", "compensated", "weakness"]
