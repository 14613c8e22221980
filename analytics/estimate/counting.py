"""Charge counting between corrections, and the prediction of the filter over a slot or a gap. Never Peukert (Doerffel & Sharkh 2006)."""

from __future__ import annotations

from math import exp

from analytics.estimate.belief import CAPACITY, OFFSET, SOC, Filter, Habit, Slot
from analytics.estimate.filtering import Keep, Noise, bounded, moved
from analytics.estimate.model import GRID, Model
from analytics.value import new

SLOW_H = 3.0
"""Time constant of the slow polarisation. Judgement: acid diffusion through a plate takes hours (Ceraolo 2000 finds 1 to 3 h)."""
SLOW_PART, SLOW_DOUBT = 1.3, 0.6
"""Its resistance over that of load steps, and how far it may be off. Judgement: a voltage falls about as much again in hours."""
FADING_DOUBT = 0.6
"""How far its fading may be off, as a part of what is left: it is no single exponential. Judgement."""
FLOAT_C = 0.0003
"""What a day of charging makes the offset doubtful, as a part of the capacity per hour: gassing looks the same. Judgement."""
FLOAT_MOST_C = 0.002
"""A held voltage with less than this, as a part of the capacity per hour, may be all gas: it tells nothing of the offset. Twice the float
current of IEC 62485-2."""
GAS_DOUBT, GAS_LASTS_H = 0.8, 4.0
"""How far the gassing current may be off, as a part, and for how long. Judgement."""
SURFACE_H = 48.0
BUILD_H = 6.0
"""Surface charge builds within hours of charging and stands for days (check values, relaxation trace)."""
CHARGED_PART = 0.15
"""How much of the voltage above rest under charge may still stand after minutes, as a part of it. Judgement: the published relaxation
trace keeps more than half of it for an hour (check values, RELAX-SLA)."""
MISFIT = 2.0
"""Mean square of the surprises from which on the model is doubted; 1 if all is well, and below it here, for its errors last."""
MISFIT_PER_H = 0.03
"""State of charge per root hour and per standard deviation of misfit. Judgement: wide open within a day."""
STILL = 3
"""Slots in a row in which the current changed and the voltage did not by a hair: the voltmeter repeats itself."""
BLIND_DOUBT = 0.5
"""How far an unseen current is off, as a part. Judgement."""
LOAD_H = 3.0
"""How long an unseen current lasts. Judgement: loads and sun change within hours."""
UNSEEN_C = 0.05
"""Lithium: how strong an unseen current is, as a part of the capacity per hour; its flat curve does not let one learn it. Judgement."""
WANDER = 0.15
"""Wandering of the current offset in a day, as a part of the stated offset. Judgement: instruments drift some mA per kelvin."""


def gassing_a(model: Model, voltage_v: float, temperature_c: float | None) -> float:
    """Current that turns into gas and heat instead of charge: Schiffer et al. 2007, scaled to the chemistry's self-discharge at rest.

    Coefficients 11 per volt of a cell and 0.06 per kelvin, from memory.
    """
    t = 20.0 if temperature_c is None else temperature_c
    if not model.lead:
        return float(model.leak_a * 2.0 ** ((t - 22) / 10))
    over = voltage_v / model.battery.cells - 2.12
    over = -0.3 if over < -0.3 else over if over < 0.5 else 0.5
    return model.leak_a * exp(11 * over + 0.06 * (t - 22))


def floating(model: Model, volts: float, amps: float) -> bool:
    """Whether what flows may be all gas, as on float."""
    return model.lead and volts > model.float_v and -FLOAT_MOST_C * model.capacity_ah < amps < FLOAT_MOST_C * model.capacity_ah


def over_slot(model: Model, f: Filter, habit: Habit, slot: Slot) -> Filter:
    """The filter after the charge counted in a slot."""
    hours = (slot.last_ms - slot.begin_ms) / 3.6e6
    if hours <= 0:
        return f
    volts = slot.v_sum / slot.readings if slot.readings else slot.last_v
    return _over(model, f, habit, hours, slot.ah, slot.doubt_ah2, volts, slot.temperature_c, abs(slot.ah / hours))


def _over(
    model: Model, f: Filter, habit: Habit, hours: float, ah: float, doubt_ah2: float, volts: float, temperature_c: float | None, amps: float
) -> Filter:
    """`amps`: how strong the current typically was, for what the slow polarisation may be."""
    _, offset_a, capacity, _, slow_v, _, _, _ = f.mean
    capacity = capacity if capacity > 0.25 else 0.25
    scale = model.capacity_ah * capacity
    gas = gassing_a(model, volts, temperature_c)
    by = (ah - (offset_a + gas) * hours) / scale
    keep_slow = exp(-hours / SLOW_H)
    ohms = SLOW_PART * habit.resistance
    spread_a2 = habit.spread_a2
    if habit.blind:
        spread_a2 = max(spread_a2, (UNSEEN_C * model.capacity_ah) ** 2) if not model.lead else spread_a2
        ah, amps = -offset_a * hours, spread_a2**0.5
        doubt_ah2 += (BLIND_DOUBT * ah) ** 2 * max(1.0, LOAD_H / hours)
    slow_sd = (
        SLOW_DOUBT * ohms * amps
        + (FADING_DOUBT * slow_v if slow_v > 0.0 else 0.0)
        + 0.003 * model.volts
        + (CHARGED_PART * (volts - model.top_v) if ah >= 0.0 and volts > model.top_v else 0.0)
    )
    keep_surface, add_surface, surface_sd = _surface(model, hours, ah, volts, habit.blind)
    keep_table = exp(-abs(by) * model.curve_rate)
    offset_sd = max(0.002, model.battery.sensor.current_offset_a)
    keep_offset, offset_noise = 1.0, (WANDER * offset_sd) ** 2 * hours / 24
    if habit.blind:
        keep_offset = exp(-hours / LOAD_H)
        offset_noise = (spread_a2 + (0.001 * model.capacity_ah) ** 2) * (1 - keep_offset * keep_offset)
    gas_sd = GAS_DOUBT * gas / scale
    per_offset = -hours / scale
    if not habit.blind and model.lead and volts > model.float_v:
        if floating(model, volts, ah / hours):
            per_offset, gas_sd = 0.0, max(gas_sd, offset_sd / scale)
        else:
            offset_noise += (FLOAT_C * model.capacity_ah) ** 2 * hours / 24
    noise = new(Noise, (
        doubt_ah2 / (scale * scale) + gas_sd * gas_sd * hours * GAS_LASTS_H + 1e-8 * hours + _misfit_noise(habit, hours),
        offset_noise,
        1.2e-8 * hours,
        model.table_sd_v**2 * (1 - keep_table * keep_table),
        slow_sd * slow_sd * (1 - keep_slow * keep_slow),
        surface_sd * surface_sd * (1 - keep_surface * keep_surface),
    ))  # fmt: skip
    keep = new(Keep, (keep_table, keep_slow, keep_surface, keep_offset))
    per_capacity = 0.0 if habit.blind else -by / capacity
    f = moved(f, by, per_offset, per_capacity, keep, ohms * ah / hours * (1 - keep_slow), add_surface, noise)
    return bounded(f.mean, f.cov)


def _misfit_noise(habit: Habit, hours: float) -> float:
    """Voltages that surprise again and again say that the count or the declaration is wrong: the interval must open."""
    if habit.misfit < MISFIT and habit.still < STILL:
        return 0.0
    return MISFIT_PER_H**2 * hours * (min(habit.misfit, 25.0) + 4.0)


def _surface(model: Model, hours: float, ah: float, volts: float, blind: bool) -> tuple[float, float, float]:
    """What is kept of the surface voltage, what is added, and its noise. LiFePO4: hysteresis, which turns with charge, not with time."""
    if not model.lead:
        high = model.battery.kind.hysteresis_v.value * model.battery.cells
        charged = volts > plateau_v(model) if blind else ah > 0
        keep = exp(-hours / LOAD_H if blind else -abs(ah) / (0.03 * model.capacity_ah) - hours / 2000)
        return keep, (1 - keep) * (0.8 * high if charged else -0.8 * high), 0.7 * high
    if volts > 2.2 * model.battery.cells:
        keep = exp(-hours / BUILD_H)
        return keep, 0.02 * model.volts * (1 - keep), 0.025 * model.volts
    keep = exp(-hours / SURFACE_H - (-ah / (0.05 * model.capacity_ah) if ah < 0.0 else 0.0))
    return keep, 0.0, 0.010 * model.volts


def over_gap(model: Model, f: Filter, habit: Habit, slot: Slot, hours: float, known_ah: float | None) -> Filter:
    """The filter after a silence: the sensor's own counter where there is one, else the usual current with all its spread."""
    if known_ah is not None:
        return _over(model, f, habit, hours, known_ah, 0.0, slot.last_v, slot.temperature_c, habit.spread_a2**0.5)
    mean = habit.mean_a * min(1.0, 24 / hours)
    lasts = min(hours, 3.0)
    doubt = habit.spread_a2 * hours * lasts + (0.01 * model.capacity_ah * 0.1 * hours) ** 2
    rest_v = model.top_v
    return _over(model, f, habit, hours, mean * hours, doubt, min(slot.last_v, rest_v), slot.temperature_c, habit.spread_a2**0.5)


def between(model: Model, f: Filter, ms: int, ah: float) -> float:
    """State of charge so long after the filter last moved: its own and what was counted since (0 where no current is believed)."""
    mean = f.mean
    soc = mean[SOC] + (ah - mean[OFFSET] * (ms / 3.6e6)) / (model.capacity_ah * mean[CAPACITY])
    return soc if 0.0 < soc < 1.0 else 0.0 if soc <= 0.0 else 1.0


def plateau_v(model: Model) -> float:
    """Lithium: above this no battery stands at rest or under load unless it is nearly full; a charger is at work."""
    return model.grid[int(0.97 * GRID)] + 0.005 * model.battery.cells


def possible(soc: float) -> float:
    """What may be told of a state of charge: 0 to 1."""
    return 0.0 if soc <= 0.0 else soc if soc < 1.0 else 1.0
