"""Prediction and correction of the filter: the equations and nothing about batteries' habits. Plett 2004; standard Kalman algebra."""

from __future__ import annotations

from math import exp

from analytics.estimate.belief import DIAGONAL, PAIRS, SOC, Filter, N

FLOOR = (1e-7, 1e-9, 1e-7, 1e-9, 1e-9, 1e-9, 1e-13, 1e-4)
"""Smallest variances. Judgement: far below anything that can be known, far above rounding."""
ROWS = tuple(tuple(PAIRS.index((min(i, j), max(i, j))) for j in range(N)) for i in range(N))
LEAST, MOST = -0.10, 1.02
"""The filter may run a little past empty and full, so that a count is not lost at the end; what is told never does."""
MOST_SD = 0.30
"""Standard deviation of a state of charge of which nothing is known (uniform from 0 to 1: 0.29)."""


def moved(f: Filter, by: float, per_offset: float, per_capacity: float, keep_slow: float, add_slow: float,
          keep_surface: float, add_surface: float, noise: tuple[float, float, float, float, float]) -> Filter:  # fmt: skip
    """Prediction: soc moves by `by`, with its derivatives to offset and capacity; slow and surface voltages decay and are driven.

    `noise`: variances added to soc, offset, slow, surface, capacity.
    """
    z, b, k, o, p, s, t, x = f.mean
    (zz, zb, zk, zo, zp, zs, zt, zx, bb, bk, bo, bp, bs, bt, bx, kk, ko, kp, ks, kt, kx, oo, op, os, ot, ox,
     pp, ps, pt, px, ss, st, sx, tt, tx, xx) = f.cov  # fmt: skip
    u, w = per_offset, per_capacity
    q_soc, q_offset, q_slow, q_surface, q_capacity = noise
    zz += 2 * (u * zb + w * zk + u * w * bk) + u * u * bb + w * w * kk + q_soc
    zb += u * bb + w * bk
    zk += u * bk + w * kk
    zo += u * bo + w * ko
    zt += u * bt + w * kt
    zx += u * bx + w * kx
    zp = (zp + u * bp + w * kp) * keep_slow
    zs = (zs + u * bs + w * ks) * keep_surface
    mean = (min(MOST, max(LEAST, z + by)), b, k, o, p * keep_slow + add_slow, s * keep_surface + add_surface, t, x)
    return Filter(mean, (
        zz, zb, zk, zo, zp, zs, zt, zx,
        bb + q_offset, bk, bo, bp * keep_slow, bs * keep_surface, bt, bx,
        kk + q_capacity, ko, kp * keep_slow, ks * keep_surface, kt, kx,
        oo, op * keep_slow, os * keep_surface, ot, ox,
        pp * keep_slow * keep_slow + q_slow, ps * keep_slow * keep_surface, pt * keep_slow, px * keep_slow,
        ss * keep_surface * keep_surface + q_surface, st * keep_surface, sx * keep_surface,
        tt, tx,
        xx,
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
    z, b, k, o, p, s, t, x = f.mean
    cov = list(f.cov)
    for d, least in zip(DIAGONAL, FLOOR, strict=True):
        if cov[d] < least:
            cov[d] = least
    if cov[0] > MOST_SD**2:
        shrink = MOST_SD / cov[0] ** 0.5
        for n, c in enumerate(ROWS[SOC]):
            cov[c] *= shrink * shrink if n == SOC else shrink
    mean = (min(MOST, max(LEAST, z)), b, min(1.3, max(0.25, k)), o, p, s, t, min(2.5, max(-1.0, x)))
    return Filter(mean, tuple(cov))


def decay(hours: float, constant_h: float) -> float:
    return exp(-hours / constant_h)
