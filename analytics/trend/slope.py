"""A robust line through a few points: Theil-Sen with the rank interval of Sen 1968. It refuses to say anything from fewer than three points."""

from __future__ import annotations

from math import ceil, floor, sqrt
from typing import NamedTuple

Z90 = 1.645
"""Two-sided 90 % of a normal distribution (any table of the normal distribution)."""


class Slope(NamedTuple):
    """Change per unit of x with its 90 % interval, and the level at the last x."""

    per_day: float
    low: float
    high: float
    level: float


def theil_sen(points: list[tuple[float, float]]) -> Slope | None:
    """Median of all pairwise slopes; interval by ranks (Sen 1968, J. Am. Stat. Assoc. 63, 1379-1389; Gilbert 1987, section 16.5).

    `points` are (x, y) with rising x. None for fewer than three: two points are a difference, not a trend.
    """
    n = len(points)
    if n < 3:
        return None
    slopes = sorted((q[1] - p[1]) / (q[0] - p[0]) for i, p in enumerate(points) for q in points[i + 1 :])
    pairs = len(slopes)
    middle = median(slopes)
    spread = Z90 * sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = slopes[max(0, floor((pairs - spread) / 2) - 1)]
    high = slopes[min(pairs - 1, ceil((pairs + spread) / 2))]
    last = points[-1][0]
    level = median(sorted(y + middle * (last - x) for x, y in points))
    return Slope(middle, low, high, level)


def median(rising: list[float]) -> float:
    """Of a sorted list with at least one member."""
    n = len(rising)
    return rising[n // 2] if n % 2 else (rising[n // 2 - 1] + rising[n // 2]) / 2
