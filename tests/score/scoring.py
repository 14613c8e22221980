"""Fold rows through the estimator and compare with the truth, as an owner would see it: the latest estimate at each time."""

from collections.abc import Sequence
from math import sqrt
from typing import NamedTuple

from analytics import estimate
from analytics.battery import Battery
from analytics.reading import Reading
from tests.score.remade import Row


class Score(NamedTuple):
    """Root mean square and largest error in points, share of rows covered by the 90 % interval, its mean width in points."""

    rmse: float
    worst: float
    cover_pct: float
    width: float
    end_covered: bool


def reading(row: Row, *, voltage_only: bool = False) -> Reading:
    return Reading("x", round(row.time_s * 1000), row.voltage_v, None if voltage_only else row.current_a, row.temperature_c)


def folded(battery: Battery, rows: Sequence[Row], *, voltage_only: bool = False) -> list[tuple[Row, float, float, float]]:
    """(row, state of charge, low, high) in percent for each row in arrival order; late and doubled rows change nothing."""
    model = estimate.model_of(battery)
    belief, out, last = estimate.fresh(model), [], -1.0
    for row in rows:
        if row.time_s > last:
            belief = estimate.advance(model, belief, reading(row, voltage_only=voltage_only))
            last = row.time_s
            pct, low, high = estimate.interval(model, belief)
            assert pct is not None
            assert low is not None
            assert high is not None
            out.append((row, pct, low, high))
    return out


def scored(battery: Battery, rows: Sequence[Row], *, voltage_only: bool = False) -> Score:
    squares = worst = width = 0.0
    covered = False
    covers = n = 0
    for row, pct, low, high in folded(battery, rows, voltage_only=voltage_only):
        truth = max(0.0, min(100.0, 100 * row.soc_truth))
        error = abs(pct - truth)
        squares += error * error
        worst = max(worst, error)
        covered = low - 1e-9 <= truth <= high + 1e-9
        covers += covered
        width += high - low
        n += 1
    return Score(sqrt(squares / n), worst, 100 * covers / n, width / n, covered)
