"""How full it is and whether a charger is at work, for rules: the estimate where it says something, else the daily rest voltages.

A voltage-only sensor that speaks once an hour gives the estimate little to go on; its rest voltages still tell. And a battery that
rested above its table's full voltage is emptier than the table says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.charging import CHARGING
from analytics.trend.memory import DAY_MS, HOUR_MS
from analytics.trend.points import level_interval, pct_of, shift_v

if TYPE_CHECKING:
    from analytics.view import View

WIDE_PCT = 45.0
"""Judgement: an interval wider than this says nothing worth a word."""
SMALL_C = 0.01
"""Fraction of the rated capacity per hour: 1 A of 100 Ah. Judgement."""
MOVED_V = 0.03
"""Six cells. Once a battery has rested so far above its table's full voltage, the table stands too low all along. Judgement."""
FRESH_DAYS = 5
"""Judgement: a rest voltage speaks for five days; after that nobody knows."""


def charge_of(view: View) -> tuple[float, float, float] | None:
    """State of charge with its 90 % interval, percent; None while neither estimate nor rest voltages tell."""
    pct, low, high, top_mv = view.pct, view.low_pct, view.high_pct, view.trend.top_mv
    if pct is None or low is None or high is None or high - low > WIDE_PCT:
        return _rested(view, shift_v(view, top_mv))
    if top_mv is not None and view.use.mode == "stored" and (shift := shift_v(view, top_mv)) >= MOVED_V * view.model.volts:
        rested = _rested(view, shift)
        if rested is not None and rested[0] < pct:
            return rested
    return pct, low, high


def _rested(view: View, shift: float) -> tuple[float, float, float] | None:
    """What the last daily rest voltage says; None if it is old, or the battery was charged since."""
    memory = view.trend
    if not memory.points:
        return None
    day, mv = memory.points[-1]
    age_days = view.now_ms / DAY_MS - day - 1
    if age_days >= FRESH_DAYS or (memory.charged_ms is not None and memory.charged_ms > (day + 1) * DAY_MS):
        return None
    level = pct_of(view, mv, shift)
    low, high = level_interval(view, level, shift)
    return level, max(0.0, low - max(0.0, age_days)), high


def is_charging(view: View) -> bool:
    """Whether a charger is at work, or was within the last hours of a sensor that seldom speaks.

    A small current that does not lift the voltage is no charge: it may be the sensor's offset.
    """
    if view.trend.hour.charged:
        return True
    if view.charging.phase in CHARGING:
        span = view.span
        if span is None or span.current_a is None or span.current_a > SMALL_C * view.model.capacity_ah or span.voltage_v > view.model.top_v:
            return True
    charged_ms = view.trend.charged_ms
    return charged_ms is not None and view.now_ms - charged_ms < 2 * HOUR_MS
