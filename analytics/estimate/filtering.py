"""Prediction and correction of the filter: the equations and nothing about batteries' habits. Plett 2004; standard Kalman algebra."""

from __future__ import annotations

from typing import NamedTuple

from analytics.estimate.belief import DIAGONAL, PAIRS, SOC, Filter, N

FLOOR = (1e-7, 1e-9, 1e-7, 1e-9, 1e-9, 1e-9, 1e-13, 1e-4)
"""Smallest variances. Judgement: far below anything that can be known, far above rounding."""
ROWS = tuple(tuple(PAIRS.index((min(i, j), max(i, j))) for j in range(N)) for i in range(N))
LEAST, MOST = -0.10, 1.02
"""The filter may run a little past empty and full, so that a count is not lost at the end; what is told never does."""
MOST_SD = 0.30
"""Standard deviation of a state of charge of which nothing is known (uniform from 0 to 1: 0.29)."""


class Keep(NamedTuple):
    """What part of a fading state is left."""

    table: float
    slow: float
    surface: float
    offset: float = 1.0


class Noise(NamedTuple):
    """Variance that each state gains."""

    soc: float
    offset: float
    capacity: float
    table: float
    slow: float
    surface: float


def moved(f: Filter, by: float, per_offset: float, per_capacity: float, keep: Keep, add_slow: float, add_surface: float,
          noise: Noise) -> Filter:  # fmt: skip
    """Prediction: soc moves by `by`, with its derivatives to offset and capacity; the fading states decay and are driven."""
    z, b, k, o, p, s, t, x = f.mean
    (zz, zb, zk, zo, zp, zs, zt, zx, bb, bk, bo, bp, bs, bt, bx, kk, ko, kp, ks, kt, kx,
     oo, op, os, ot, ox, pp, ps, pt, px, ss, st, sx, tt, tx, xx) = f.cov  # fmt: skip
    u, w = per_offset, per_capacity
    m, n, q, r = keep
    zz += 2 * (u * zb + w * zk + u * w * bk) + u * u * bb + w * w * kk + noise.soc
    zb = (zb + u * bb + w * bk) * r
    zk += u * bk + w * kk
    zt += u * bt + w * kt
    zx += u * bx + w * kx
    zo = (zo + u * bo + w * ko) * m
    zp = (zp + u * bp + w * kp) * n
    zs = (zs + u * bs + w * ks) * q
    mean = (min(MOST, max(LEAST, z + by)), b * r, k, o * m, p * n + add_slow, s * q + add_surface, t, x)
    return Filter(mean, (
        zz, zb, zk, zo, zp, zs, zt, zx,
        bb * r * r + noise.offset, bk * r, bo * m * r, bp * n * r, bs * q * r, bt * r, bx * r,
        kk + noise.capacity, ko * m, kp * n, ks * q, kt, kx,
        oo * m * m + noise.table, op * m * n, os * m * q, ot * m, ox * m,
        pp * n * n + noise.slow, ps * n * q, pt * n, px * n,
        ss * q * q + noise.surface, st * q, sx * q,
        tt, tx,
        xx,
    ))  # fmt: skip


Gradient = tuple[tuple[int, float], ...]
"""(state, derivative) of a measurement; states that are not named do not enter."""


def corrected(f: Filter, h: Gradient, innovation: float, variance: float) -> tuple[Filter, float]:
    """One scalar measurement: gradient, measured minus expected, and its variance. Gives also the surprise in standard deviations.

    A surprise beyond 3 is believed only as far as 3 would be: its variance is widened (Huber's way with outliers).
    """
    cov = f.cov
    g = [sum([cov[row[j]] * x for j, x in h]) for row in ROWS]
    spread = sum([g[j] * x for j, x in h]) + variance
    surprise = innovation / spread**0.5
    if abs(surprise) > MOST_SURPRISE:
        spread *= (surprise / MOST_SURPRISE) ** 2
    gain = innovation / spread
    part = [x / spread for x in g]
    mean = tuple([m + x * gain for m, x in zip(f.mean, g, strict=True)])
    return bounded(mean, [c - g[i] * part[j] for c, (i, j) in zip(cov, PAIRS, strict=True)]), surprise


MOST_SURPRISE = 3.0


def bounded(mean: tuple[float, ...], cov: list[float]) -> Filter:
    """The filter with its values inside what can be, and variances neither zero nor beyond ignorance; stays positive definite."""
    z, b, k, o, p, s, t, x = mean
    for d, least in zip(DIAGONAL, FLOOR, strict=True):
        if cov[d] < least:
            cov[d] = least
    if cov[0] > MOST_SD**2:
        shrink = MOST_SD / cov[0] ** 0.5
        for n, c in enumerate(ROWS[SOC]):
            cov[c] *= shrink * shrink if n == SOC else shrink
    z, k, x = min(MOST, max(LEAST, z)), min(1.3, max(0.25, k)), min(2.5, max(-1.0, x))
    return Filter((z, b, k, o, p, s, t, x), tuple(cov))


def replaced(f: Filter, state: int, value: float, variance: float) -> Filter:
    """The filter with one state set anew, as if nothing about it had been known: it shares nothing with the others any more."""
    cov = list(f.cov)
    for j, c in enumerate(ROWS[state]):
        cov[c] = variance if j == state else 0.0
    return Filter((*f.mean[:state], value, *f.mean[state + 1 :]), tuple(cov))
