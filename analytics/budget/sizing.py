"""How much battery: the steps of IEEE 1013 (days without sun) and the sections of IEEE 485 (a load that changes), from memory of both."""

import itertools
from collections.abc import Callable, Sequence
from typing import NamedTuple

from analytics.chemistry import Chemistry

IEEE485_FACTORS: tuple[tuple[float, float], ...] = (
    (-3.9, 1.520), (-1.1, 1.430), (1.7, 1.350), (4.4, 1.300), (7.2, 1.250), (10.0, 1.190), (12.8, 1.150), (15.6, 1.110), (18.3, 1.080),
    (20.0, 1.056), (25.0, 1.000), (26.7, 0.980), (29.4, 0.960), (32.2, 0.940), (35.0, 0.930), (37.8, 0.910), (43.3, 0.880), (48.9, 0.860), (51.7, 0.850),
)  # fmt: skip
"""IEEE Std 485 Table 1, °C and factor on a 25 °C base (public reproduction; the first three and the last row from memory)."""


class Required(NamedTuple):
    """Ampere-hours at each step of IEEE 1013, so that a person can follow."""

    unadjusted_ah: float
    for_depth_ah: float
    for_daily_depth_ah: float
    for_end_of_life_ah: float
    largest_ah: float
    with_temperature_ah: float
    with_margin_ah: float


def required_ah(
    daily_ah: float,
    days: float,
    *,
    depth: float,
    end_of_life: float,
    temperature_factor: float,
    margin: float,
    daily_depth: float | None = None,
) -> Required:
    """IEEE 1013: unadjusted capacity, raised for depth, daily depth and end of life (the largest counts), then temperature and margin.

    `depth`, `daily_depth` and `end_of_life` are parts of 1; `margin` is a factor such as 1.2.
    """
    unadjusted = daily_ah * days
    depths = unadjusted / depth
    daily = 0.0 if daily_depth is None else daily_ah / daily_depth
    ageing = unadjusted / end_of_life
    largest = max(depths, daily, ageing)
    warm = largest * temperature_factor
    return Required(unadjusted, depths, daily, ageing, largest, warm, warm * margin)


def ieee485_factor(celsius: float) -> float:
    """Cell-size factor for the lowest temperature, by straight lines inside the table; its ends outside."""
    rows = IEEE485_FACTORS
    if celsius <= rows[0][0]:
        return rows[0][1]
    for (t0, f0), (t1, f1) in itertools.pairwise(rows):
        if celsius <= t1:
            return f0 + (f1 - f0) * (celsius - t0) / (t1 - t0)
    return rows[-1][1]


def temperature_factor(kind: Chemistry, celsius: float) -> float:
    """How much larger the battery must be: IEEE 485 for lead-acid; for others 1 / (1 - loss per kelvin below 25 °C)."""
    if kind.lead_acid:
        return max(1.0, ieee485_factor(celsius))
    return 1.0 / max(0.4, 1.0 - kind.capacity_per_k.value * max(0.0, 25.0 - celsius))


def sections_ah(loads: Sequence[tuple[float, float]], hours_rate: Callable[[float], float]) -> float:
    """IEEE 485 sections: `loads` is ((amperes, hours), …) one after the other; `hours_rate(t)` gives K_t, Ah at the rate for one ampere over t hours.

    F = max over sections S of the sum over periods P ≤ S of (A_P - A_(P-1)) K(t from the start of P to the end of S).
    """
    best = 0.0
    for s in range(1, len(loads) + 1):
        total, before = 0.0, 0.0
        for p in range(s):
            amps = loads[p][0]
            total += (amps - before) * hours_rate(sum(h for _, h in loads[p:s]))
            before = amps
        best = max(best, total)
    return best


def at_rate_ah(capacity_ah: float, hours: float, wanted_hours: float, exponent: float) -> float:
    """A capacity stated for one discharge time, at another: C (wanted / hours) ** ((n - 1) / n), Peukert."""
    ratio: float = (wanted_hours / hours) ** ((exponent - 1) / exponent)
    return capacity_ah * ratio
