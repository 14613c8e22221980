"""Correction by voltage on a lithium curve: too bent at its ends and too flat in its middle for a tangent.

The state of charge is weighed on points across what it may be (Bayes' rule on a grid), and the result is given to the filter as one
measurement. Outside the ranges where the voltage tells it only bounds: hysteresis, which no rest removes, hides a piece of the curve.
"""

from __future__ import annotations

from math import exp

from analytics.estimate.belief import DIAGONAL, SLOW, SOC, SURFACE, TABLE, Filter
from analytics.estimate.filtering import corrected, doubted
from analytics.estimate.model import Model, slope

POINTS = 30
ENDS_SD = 0.015
"""Even where the curve is steep. Judgement: a rested cell near full stands some points beside any table."""
WIDE_SD = 0.18
"""From here on the grid; below it a line across what the state of charge may be is good enough and keeps what the states share."""
CONTRADICTED = 3.0
"""Standard deviations. Judgement: the usual three."""
HIDDEN = 0.4
"""Part of the hysteresis that stays unknown though the way of the charge is followed (state `surface_v`). Judgement."""


def by_curve(model: Model, f: Filter, rest_v: float, variance: float, lasting: float) -> Filter:
    """The filter after a voltage that would be `rest_v` at rest, with the variance of its reading and of the load on it.

    `lasting`: how many such readings share the same error and so tell the same.
    """
    cov, mean = f.cov, min(1.0, max(0.0, f.mean[SOC]))
    prior = cov[0]
    sd = prior**0.5
    width = (variance + cov[DIAGONAL[TABLE]] + cov[DIAGONAL[SLOW]] + cov[DIAGONAL[SURFACE]]) * lasting
    low, high = max(0.0, mean - 3.5 * sd), min(1.0, mean + 3.5 * sd)
    step = (high - low) / POINTS
    total = first = second = 0.0
    for k in range(POINTS + 1):
        soc = low + k * step
        off, away = rest_v - slope(model, soc)[0], soc - mean
        weight = exp(-0.5 * min(off * off / width, 100.0) - 0.5 * away * away / prior)
        total += weight
        first += weight * away
        second += weight * away * away
    moved = first / total
    gain = (1.0 - (second / total - moved * moved) / prior) * room(model, mean + moved, prior)
    if gain < 0.001:
        return f
    return corrected(f, (1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0), moved / max(gain, 0.05), prior * (1.0 - gain) / gain + 1e-8)[0]


def by_curve_alone(model: Model, f: Filter, rest_v: float, variance: float) -> Filter:
    """The same without a current: what the curve alone allows, from 0 to 1, for a voltage that would be `rest_v` at rest.

    The same errors stand behind every such reading, so no number of them tells more than one: the variance never falls below what the
    curve leaves open, and between readings it is the unseen current that makes room for the next.
    """
    rest_v = min(model.grid[-1], max(model.grid[0], rest_v))
    width = variance + f.cov[DIAGONAL[TABLE]] + f.cov[DIAGONAL[SURFACE]]
    total = first = second = 0.0
    for k in range(POINTS + 1):
        soc = k / POINTS
        off = rest_v - slope(model, soc)[0]
        weight = exp(-0.5 * min(off * off / width, 100.0))
        total += weight
        first += weight * soc
        second += weight * soc * soc
    middle = first / total
    return up_to(f, middle, max(second / total - middle * middle, 4 * ENDS_SD * ENDS_SD))


def up_to(f: Filter, soc: float, variance: float) -> Filter:
    """The filter after a measurement that lasts: it may narrow the state of charge to its own variance and no further.

    A state of charge that it contradicts is dropped.
    """
    if (soc - f.mean[SOC]) ** 2 > CONTRADICTED**2 * (f.cov[0] + variance):
        f = doubted(f)
    prior = f.cov[0]
    if prior <= 1.001 * variance:
        return f
    return corrected(f, (1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0), soc - f.mean[SOC], variance * prior / (prior - variance))[0]


def secant(model: Model, soc: float, sd: float) -> tuple[float, float, float]:
    """Rest voltage, its slope across what the state of charge may be, and how far the curve departs from that line."""
    soc = min(1.0, max(0.0, soc))
    below, above = max(0.0, soc - sd), min(1.0, soc + sd)
    low, middle, high = slope(model, below)[0], slope(model, soc)[0], slope(model, above)[0]
    per_soc = max((high - low) / max(above - below, 1e-6), 0.005)
    return middle, per_soc, max(abs(middle - low - per_soc * (soc - below)), abs(high - middle - per_soc * (above - soc)))


def unsure_v(model: Model) -> float:
    """What a published curve may be off where it is flat, volts; an owner's own is taken as it is."""
    return 0.0 if model.battery.rest_voltage_table else 2 * model.battery.kind.rest_voltage_spread_v.value * model.battery.cells


def room(model: Model, soc: float, prior: float) -> float:
    """How much of a correction is allowed, 0 to 1: the state of charge is never known better than the piece that hysteresis hides."""
    kind = model.battery.kind
    if any(low <= 100 * soc <= high for low, high in kind.voltage_tells):
        return max(0.0, 1.0 - ENDS_SD * ENDS_SD / prior)
    hidden = (HIDDEN * kind.hysteresis_v.value * model.battery.cells + unsure_v(model)) / slope(model, soc)[1] + ENDS_SD
    return max(0.0, 1.0 - hidden * hidden / prior)
