"""Prediction and correction of the filter: the equations and nothing about batteries' habits. Plett 2004; standard Kalman algebra."""

from __future__ import annotations

from typing import NamedTuple

from analytics.estimate.belief import DIAGONAL, PAIRS, SOC, Filter, N
from analytics.value import new

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
    add_soc, add_offset, add_capacity, add_table, add_slow_var, add_surface_var = noise
    zz += 2 * (u * zb + w * zk + u * w * bk) + u * u * bb + w * w * kk + add_soc
    zb = (zb + u * bb + w * bk) * r
    zk += u * bk + w * kk
    zt += u * bt + w * kt
    zx += u * bx + w * kx
    zo = (zo + u * bo + w * ko) * m
    zp = (zp + u * bp + w * kp) * n
    zs = (zs + u * bs + w * ks) * q
    z += by
    mean = (LEAST if z < LEAST else z if z < MOST else MOST, b * r, k, o * m, p * n + add_slow, s * q + add_surface, t, x)
    return new(Filter, (mean, (
        zz, zb, zk, zo, zp, zs, zt, zx,
        bb * r * r + add_offset, bk * r, bo * m * r, bp * n * r, bs * q * r, bt * r, bx * r,
        kk + add_capacity, ko * m, kp * n, ks * q, kt, kx,
        oo * m * m + add_table, op * m * n, os * m * q, ot * m, ox * m,
        pp * n * n + add_slow_var, ps * n * q, pt * n, px * n,
        ss * q * q + add_surface_var, st * q, sx * q,
        tt, tx,
        xx,
    )))  # fmt: skip


Gradient = tuple[float, float, float, float, float, float, float, float]
"""Derivative of a measurement to each state, in the order of `STATES`."""
MOST_SURPRISE = 3.0


def corrected(f: Filter, h: Gradient, innovation: float, variance: float) -> tuple[Filter, float]:
    """One scalar measurement: gradient, measured minus expected, and its variance. Gives also the surprise in standard deviations.

    A surprise beyond 3 is believed only as far as 3 would be: its variance is widened (Huber's way with outliers).
    Written out, for this is where the time goes: g = covariance × gradient, covariance - g gᵀ / spread.
    """
    (zz, zb, zk, zo, zp, zs, zt, zx, bb, bk, bo, bp, bs, bt, bx, kk, ko, kp, ks, kt, kx,
     oo, op, os, ot, ox, pp, ps, pt, px, ss, st, sx, tt, tx, xx) = f.cov  # fmt: skip
    hz, hb, hk, ho, hp, hs, ht, hx = h
    # fmt: off
    gz = zz * hz + zb * hb + zk * hk + zo * ho + zp * hp + zs * hs + zt * ht + zx * hx
    gb = zb * hz + bb * hb + bk * hk + bo * ho + bp * hp + bs * hs + bt * ht + bx * hx
    gk = zk * hz + bk * hb + kk * hk + ko * ho + kp * hp + ks * hs + kt * ht + kx * hx
    go = zo * hz + bo * hb + ko * hk + oo * ho + op * hp + os * hs + ot * ht + ox * hx
    gp = zp * hz + bp * hb + kp * hk + op * ho + pp * hp + ps * hs + pt * ht + px * hx
    gs = zs * hz + bs * hb + ks * hk + os * ho + ps * hp + ss * hs + st * ht + sx * hx
    gt = zt * hz + bt * hb + kt * hk + ot * ho + pt * hp + st * hs + tt * ht + tx * hx
    gx = zx * hz + bx * hb + kx * hk + ox * ho + px * hp + sx * hs + tx * ht + xx * hx
    # fmt: on
    spread = gz * hz + gb * hb + gk * hk + go * ho + gp * hp + gs * hs + gt * ht + gx * hx + variance
    surprise = innovation / spread**0.5
    if not -MOST_SURPRISE < surprise < MOST_SURPRISE:
        spread *= (surprise / MOST_SURPRISE) ** 2
    part = 1.0 / spread
    fz, fb, fk, fo, fp, fs, ft, fx = gz * part, gb * part, gk * part, go * part, gp * part, gs * part, gt * part, gx * part
    z, b, k, o, p, s, t, x = f.mean
    mean = (
        z + fz * innovation, b + fb * innovation, k + fk * innovation, o + fo * innovation,
        p + fp * innovation, s + fs * innovation, t + ft * innovation, x + fx * innovation,
    )  # fmt: skip
    return bounded(mean, (
        zz - fz * gz, zb - fz * gb, zk - fz * gk, zo - fz * go, zp - fz * gp, zs - fz * gs, zt - fz * gt, zx - fz * gx,
        bb - fb * gb, bk - fb * gk, bo - fb * go, bp - fb * gp, bs - fb * gs, bt - fb * gt, bx - fb * gx,
        kk - fk * gk, ko - fk * go, kp - fk * gp, ks - fk * gs, kt - fk * gt, kx - fk * gx,
        oo - fo * go, op - fo * gp, os - fo * gs, ot - fo * gt, ox - fo * gx,
        pp - fp * gp, ps - fp * gs, pt - fp * gt, px - fp * gx,
        ss - fs * gs, st - fs * gt, sx - fs * gx,
        tt - ft * gt, tx - ft * gx,
        xx - fx * gx,
    )), surprise  # fmt: skip


def bounded(mean: tuple[float, ...], cov: tuple[float, ...]) -> Filter:
    """The filter with its values inside what can be, and variances neither zero nor beyond ignorance; stays positive definite."""
    z, b, k, o, p, s, t, x = mean
    if cov[0] > MOST_SD**2 or _too_sure(cov):
        cov = _held_in(list(cov))
    if not (LEAST <= z <= MOST and 0.25 <= k <= 1.3 and -1.0 <= x <= 2.5):
        z, k, x = min(MOST, max(LEAST, z)), min(1.3, max(0.25, k)), min(2.5, max(-1.0, x))
        mean = (z, b, k, o, p, s, t, x)
    return new(Filter, (mean, cov))


def _too_sure(cov: tuple[float, ...]) -> bool:
    """Whether a variance is below its `FLOOR`. Written out: this is asked with every correction."""
    zz, _, _, _, _, _, _, _, bb, _, _, _, _, _, _, kk, _, _, _, _, _, oo, _, _, _, _, pp, _, _, _, ss, _, _, tt, _, xx = cov
    lz, lb, lk, lo, lp, ls, lt, lx = FLOOR
    return zz < lz or bb < lb or kk < lk or oo < lo or pp < lp or ss < ls or tt < lt or xx < lx


def _held_in(cov: list[float]) -> tuple[float, ...]:
    for d, least in zip(DIAGONAL, FLOOR, strict=True):
        cov[d] = max(cov[d], least)
    if cov[0] > MOST_SD**2:
        shrink = MOST_SD / cov[0] ** 0.5
        for n, c in enumerate(ROWS[SOC]):
            cov[c] *= shrink * shrink if n == SOC else shrink
    return tuple(cov)


def doubted(f: Filter, by: float = MOST_SD * MOST_SD) -> Filter:
    """The filter with so much more variance of its state of charge, or as good as unknown; what the other states share with it stays."""
    return bounded(f.mean, (f.cov[0] + by, *f.cov[1:]))


def replaced(f: Filter, state: int, value: float, variance: float) -> Filter:
    """The filter with one state set anew, as if nothing about it had been known: it shares nothing with the others any more."""
    cov = list(f.cov)
    for j, c in enumerate(ROWS[state]):
        cov[c] = variance if j == state else 0.0
    return Filter((*f.mean[:state], value, *f.mean[state + 1 :]), tuple(cov))
