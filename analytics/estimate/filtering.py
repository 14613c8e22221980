"""Prediction and correction of the filter: the equations and nothing about batteries' habits. Plett 2004; standard Kalman algebra."""

from __future__ import annotations

from math import exp

from analytics.estimate.belief import DIAGONAL, PAIRS, SOC, Filter, N

FLOOR = (1e-7, 1e-9, 1e-7, 1e-9, 1e-9, 1e-9, 1e-13)
"""Smallest variances. Judgement: far below anything that can be known, far above rounding."""
ROWS = tuple(tuple(PAIRS.index((min(i, j), max(i, j))) for j in range(N)) for i in range(N))
MOST_SD = 0.30
"""Standard deviation of a state of charge of which nothing is known (uniform from 0 to 1: 0.29)."""


def moved(f: Filter, by: float, per_offset: float, per_capacity: float, keep_slow: float, add_slow: float,
          keep_surface: float, add_surface: float, noise: tuple[float, float, float, float, float]) -> Filter:  # fmt: skip
    """Prediction: soc moves by `by`, with its derivatives to offset and capacity; slow and surface voltages decay and are driven.

    `noise`: variances added to soc, offset, slow, surface, capacity.
    """
    z, b, k, o, p, s, t = f.mean
    zz, zb, zk, zo, zp, zs, zt, bb, bk, bo, bp, bs, bt, kk, ko, kp, ks, kt, oo, op, os, ot, pp, ps, pt, ss, st, tt = f.cov
    u, w = per_offset, per_capacity
    zz += 2 * (u * zb + w * zk + u * w * bk) + u * u * bb + w * w * kk + noise[0]
    zb += u * bb + w * bk
    zk += u * bk + w * kk
    zo += u * bo + w * ko
    zt += u * bt + w * kt
    zp = (zp + u * bp + w * kp) * keep_slow
    zs = (zs + u * bs + w * ks) * keep_surface
    mean = (min(1.02, max(-0.02, z + by)), b, k, o, p * keep_slow + add_slow, s * keep_surface + add_surface, t)
    return Filter(mean, (
        zz, zb, zk, zo, zp, zs, zt,
        bb + noise[1], bk, bo, bp * keep_slow, bs * keep_surface, bt,
        kk + noise[4], ko, kp * keep_slow, ks * keep_surface, kt,
        oo, op * keep_slow, os * keep_surface, ot,
        pp * keep_slow * keep_slow + noise[2], ps * keep_slow * keep_surface, pt * keep_slow,
        ss * keep_surface * keep_surface + noise[3], st * keep_surface,
        tt,
    ))  # fmt: skip


def corrected(f: Filter, h: tuple[float, ...], innovation: float, variance: float) -> tuple[Filter, float]:
    """One scalar measurement: gradient `h`, measured minus expected, and its variance. Gives also the surprise in standard deviations.

    A surprise beyond 3 is believed only as far as 3 would be: its variance is widened (Huber's way with outliers).
    """
    cov = f.cov
    g = [sum([cov[r] * x for r, x in zip(row, h, strict=True) if x]) for row in ROWS]
    predicted = sum([a * b for a, b in zip(g, h, strict=True)])
    spread = predicted + variance
    surprise = innovation / spread**0.5
    if abs(surprise) > MOST_SURPRISE:
        spread *= (surprise / MOST_SURPRISE) ** 2
    inverse = 1.0 / spread
    gain = innovation * inverse
    mean = tuple([m + x * gain for m, x in zip(f.mean, g, strict=True)])
    return bounded(Filter(mean, tuple([c - g[i] * g[j] * inverse for c, (i, j) in zip(cov, PAIRS, strict=True)]))), surprise


MOST_SURPRISE = 3.0


def bounded(f: Filter) -> Filter:
    """The filter with its values inside what can be, and variances neither zero nor beyond ignorance; stays positive definite."""
    z, b, k, o, p, s, t = f.mean
    cov = list(f.cov)
    for d, least in zip(DIAGONAL, FLOOR, strict=True):
        if cov[d] < least:
            cov[d] = least
    if cov[0] > MOST_SD**2:
        shrink = MOST_SD / cov[0] ** 0.5
        for n, c in enumerate(ROWS[SOC]):
            cov[c] *= shrink * shrink if n == SOC else shrink
    mean = (min(1.0, max(0.0, z)), b, min(1.3, max(0.25, k)), o, p, s, t)
    return Filter(mean, tuple(cov))


def decay(hours: float, constant_h: float) -> float:
    return exp(-hours / constant_h)
