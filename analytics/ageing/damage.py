"""Life used up by cycles: Miner's sum over depths, equivalent full cycles. Pure arithmetic; who counts the cycles is elsewhere."""

from collections.abc import Iterable

from analytics.battery import Battery

EXPONENT = 1.2
"""Judgement: cycle life against depth of discharge falls a little faster than in proportion; published curves have no common test protocol."""


def life_cycles(depth_pct: float, rated_cycles: float, rated_depth_pct: float, exponent: float = EXPONENT) -> float:
    """Cycles of this depth (percent, above 0) that use up the life given as `rated_cycles` at `rated_depth_pct`."""
    ratio: float = (rated_depth_pct / depth_pct) ** exponent
    return rated_cycles * ratio


def damage(cycles: Iterable[tuple[float, float]], rated_cycles: float, rated_depth_pct: float, exponent: float = EXPONENT) -> float:
    """Miner's sum of (depth in percent, count): 1 is the end of life."""
    return sum(n / life_cycles(d, rated_cycles, rated_depth_pct, exponent) for d, n in cycles if d > 0)


def equivalent_full_cycles(charge_in_ah: float, charge_out_ah: float, capacity_ah: float) -> float:
    """Charge moved both ways, in units of one full discharge and charge."""
    return (charge_in_ah + charge_out_ah) / (2 * capacity_ah)


def rated(battery: Battery) -> tuple[float, float, float, float]:
    """(cycles, fewest, most, depth in percent): the maker's as declared, else the trade's wide range.

    Around a maker's figure a third either way is taken (judgement: makers have no common test protocol).
    """
    if battery.rated_cycles is not None:
        n = battery.rated_cycles
        return n, 0.67 * n, 1.33 * n, battery.rated_cycles_depth_pct
    figure = battery.kind.cycles
    return figure.value, figure.low, figure.high, battery.kind.cycles_depth_pct
