"""Daily rest voltages read as state of charge, and the lines through them. The table's own error is carried, not believed away."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

from analytics import estimate
from analytics.trend.slope import Z90, median, theil_sen

if TYPE_CHECKING:
    from analytics.trend.memory import TrendMemory
    from analytics.view import View

MIN_DAYS = 2
"""A line needs at least two days between its first and last point (reliability notes on predictive alerts: never from one sample)."""
QUICK = 5
OWN_TABLE_V = 0.005
"""Judgement: owners' tables are off by 20 to 50 mV for six cells, so 30 mV as one standard deviation, volts a cell."""


def shift_v(view: View, top_mv: int | None) -> float:
    """How much the whole table must stand higher, because the battery rested above its full voltage; 0 if it never did."""
    if top_mv is None or not view.model.lead:
        return 0.0
    shift = top_mv / 1000 - view.model.top_v
    return shift if shift > 0.0 else 0.0


def pct_of(view: View, rest_mv: float, shift: float) -> float:
    """State of charge that a rest voltage at 25 °C means, percent."""
    return estimate.rest_pct(view.model, rest_mv / 1000 - shift, None)


def spread_v(view: View, shift: float) -> float:
    """Half of the 90 % interval of a rest voltage against the table, volts of the whole battery: table and voltmeter together.

    Without an owner's table the highest published spread counts: a warning a week early costs a look, a missed one the battery.
    """
    battery = view.battery
    kind = battery.kind.rest_voltage_spread_v
    published_v = kind.value if shift > 0.01 * view.model.volts else kind.high
    table_v = published_v if battery.rest_voltage_table is None else OWN_TABLE_V
    table_v = max(table_v, battery.kind.hysteresis_v.value)
    return Z90 * sqrt((table_v * battery.cells) ** 2 + battery.sensor.voltage_offset_v**2)


def level_interval(view: View, level_pct: float, shift: float) -> tuple[float, float]:
    """The level of a line, percent, with what table and voltmeter may be off on either side."""
    volts = estimate.rest_v(view.model, level_pct)
    off = spread_v(view, shift)
    return estimate.rest_pct(view.model, volts - off, None), estimate.rest_pct(view.model, volts + off, None)


def _line(view: View, memory: TrendMemory) -> list[tuple[float, float]]:
    shift = shift_v(view, memory.top_mv)
    return [(float(day), pct_of(view, mv, shift)) for day, mv in memory.points]


def daily_slope(view: View, memory: TrendMemory) -> tuple[float, float, float, float] | None:
    """Percent a day with its 90 % interval, and the level at the last point; None before three points over two days."""
    points = _line(view, memory)
    if not points or points[-1][0] - points[0][0] < MIN_DAYS:
        return None
    s = theil_sen(points)
    return None if s is None else (round(s.per_day, 4), round(s.low, 4), round(s.high, 4), round(s.level, 3))


def quick_slope(view: View, memory: TrendMemory) -> float | None:
    """The same of the last five points, to notice a load that is new."""
    points = _line(view, memory)[-QUICK:]
    if len(points) < QUICK:
        return None
    return round(median(sorted((q[1] - p[1]) / (q[0] - p[0]) for i, p in enumerate(points) for q in points[i + 1 :])), 4)
