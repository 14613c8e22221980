"""What the terminals should show for a belief, how sure that is, and the correction by it. Ceraolo 2000's circuit, in four parts."""

from __future__ import annotations

from typing import NamedTuple

from analytics.estimate.belief import CAPACITY, OFFSET, PER_K, SLOW, SOC, SURFACE, TABLE, Filter, Habit
from analytics.estimate.filtering import corrected
from analytics.estimate.model import GRID, REFERENCE_C, Model

FAST_PART = 0.3
"""Share of the slow polarisation's resistance that follows within minutes. Judgement from relaxation curves."""
SENSOR_SD_V = 0.005
"""Noise and steps of a voltmeter, six cells. Judgement."""
LOAD_PART = 0.35
"""How far the voltage under load is from its model, as a part of the drop. Judgement."""
REMEMBERED_H = 0.5
"""How long such an error lasts: a reading within that time tells the same again."""


class Seen(NamedTuple):
    """A voltage with what is needed to understand it: means over a slot."""

    voltage_v: float
    current_a: float
    fast_a: float
    temperature_c: float | None
    hours: float


def slope(model: Model, soc: float) -> tuple[float, float]:
    """Rest voltage at 25 °C and its slope in volts per 1 (whole state of charge)."""
    x = min(1.0, max(0.0, soc)) * GRID
    k = min(GRID - 1, int(x))
    a, b = model.grid[k], model.grid[k + 1]
    return a + (b - a) * (x - k), max((b - a) * GRID, 0.005)


def drop(model: Model, habit: Habit, current_a: float, fast_a: float) -> float:
    """The part of the voltage that comes from the current of now and of the last minutes."""
    return habit.resistance * current_a + FAST_PART * model.slow_ohms * fast_a


def by_voltage(model: Model, f: Filter, habit: Habit, seen: Seen) -> tuple[Filter, float] | None:
    """The filter corrected by a voltage, and the surprise; None where the voltage tells nothing (charger holds it, mid-range lithium)."""
    rest, per_soc = slope(model, f.mean[SOC])
    v, a = seen.voltage_v, seen.current_a
    warm = 0.0 if seen.temperature_c is None else seen.temperature_c - REFERENCE_C
    fall = drop(model, habit, a, seen.fast_a)
    if a > 0 and v - fall > model.top_v + 0.15 * model.volts:
        return None
    expected = rest + f.mean[TABLE] + f.mean[SLOW] + f.mean[SURFACE] + warm * f.mean[PER_K] + fall
    load = LOAD_PART * (fall + f.mean[SLOW]) * (2.0 if a > 0 else 1.0)
    variance = (SENSOR_SD_V * model.volts) ** 2 + load * load * max(1.0, REMEMBERED_H / max(seen.hours, 0.01))
    if not model.lead:
        variance += lithium_doubt(model, f, a, seen.hours)
    h = [0.0] * 7
    h[SOC], h[TABLE], h[SLOW], h[SURFACE], h[PER_K] = per_soc, 1.0, 1.0, 1.0, warm
    return corrected(f, tuple(h), v - expected, variance)


def lithium_doubt(model: Model, f: Filter, current_a: float, hours: float) -> float:
    """Extra variance outside the ranges where a lithium voltage tells: there it only bounds."""
    pct = 100 * f.mean[SOC]
    if any(low <= pct <= high for low, high in model.battery.kind.voltage_tells):
        return (0.01 * model.volts) ** 2
    sd = (2 * model.battery.kind.hysteresis_v.value) * model.battery.cells
    return sd * sd * max(1.0, 12.0 / max(hours, 0.01))


def compensated(model: Model, f: Filter | None, habit: Habit | None, voltage_v: float, current_a: float, fast_a: float) -> float:
    """The rest voltage that a loaded voltage stands for."""
    if habit is None or f is None:
        return voltage_v - 1.3 * model.ohms * current_a
    return voltage_v - drop(model, habit, current_a, fast_a) - f.mean[SLOW]


__all__ = ["CAPACITY", "OFFSET", "Seen", "by_voltage", "compensated", "drop", "slope"]
