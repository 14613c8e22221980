"""How far the acid is from freezing: the battery's temperature, or the coldest the owner expects, against its freezing point."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from analytics.trend.level import charge_of
from analytics.trend.memory import HOUR_MS

if TYPE_CHECKING:
    from analytics.chemistry import Chemistry
    from analytics.view import View


class Freezing(NamedTuple):
    """Kelvins between temperature and freezing point; negative: it may be frozen."""

    margin_k: float
    point_c: float
    temperature_c: float
    expected: bool
    """The temperature is one that the owner expects, not one measured."""


def freezing_point_c(kind: Chemistry, pct: float) -> float | None:
    """Degrees Celsius at which the acid freezes at a state of charge in percent; None for a battery without acid."""
    table = kind.freezing
    if table is None:
        return None
    rows = table.rows
    if pct <= rows[0][0]:
        return rows[0][1]
    for (p0, c0), (p1, c1) in pairwise(rows):
        if pct <= p1:
            return c0 + (c1 - c0) * (pct - p0) / (p1 - p0)
    return rows[-1][1]


def freezing_of(view: View) -> Freezing | None:
    """The margin now; None without acid, without a state of charge, or where neither temperature nor expectation is known.

    The state of charge is taken half-way to the low end of its interval: the discharged battery is the one that freezes.
    """
    charge = charge_of(view)
    if charge is None:
        return None
    pct, low, _ = charge
    point = freezing_point_c(view.battery.kind, (pct + low) / 2)
    if point is None:
        return None
    span, memory = view.span, view.trend
    measured = span.temperature_c if span is not None and view.now_ms - span.end_ms < 6 * HOUR_MS else None
    expected = (
        memory.coldest_c if memory.coldest_c is not None and view.now_ms < memory.coldest_until_ms else view.battery.coldest_expected_c
    )
    known = [t for t in (measured, expected) if t is not None]
    if not known:
        return None
    coldest = min(known)
    return Freezing(round(coldest - point, 1), round(point, 1), coldest, coldest != measured)
