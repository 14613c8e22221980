"""What the trend remembers: the running hour, daily rest voltages, the day's pattern, and what was worked out of them."""

from __future__ import annotations

from typing import NamedTuple

from analytics.assessment import Forecast, Load

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
BIN_H = 3
BINS = 24 // BIN_H
DAYS = 14
"""Judgement: two weeks of daily points give a slope to a few hundredths of a percent a day, and forget a changed load in a week."""

OLD_DAYS = 21
"""Judgement: points from before a silence of three weeks no longer make a line."""


class Hour(NamedTuple):
    """The hour being filled."""

    at_h: int = -1
    """Hours since 1970."""
    top_v: float | None = None
    """Highest quiet rest voltage of the three-hour block so far, at 25 °C: loads that come and go pull readings down, not up."""
    heard_ms: int = 0
    in_as: float = 0.0
    out_as: float = 0.0
    """Ampere-seconds in and out in this hour."""
    low_a: float = 0.0
    high_a: float = 0.0
    """Extremes of the span means of current."""
    charged: bool = False
    """Voltage or current says that a charger was at work."""


class Exposure(NamedTuple):
    """Time and depth spent low at rest since the last full charge."""

    low_h: float = 0.0
    """Hours below the chemistry's sulfation limit."""
    depth_pct_h: float = 0.0
    """Percent below the limit × hours."""
    lowest_pct: float | None = None
    lowest_ms: int | None = None


class TrendMemory(NamedTuple):
    """`hour` changes with each span, the rest at most hourly."""

    hour: Hour = Hour()
    day: int = -1
    day_v: float | None = None
    """The lowest three-hour block of this day: same-hour points, taken where sun and surface charge are least."""
    points: tuple[tuple[int, int], ...] = ()
    """(day since 1970, rest voltage at 25 °C in millivolts), newest last; emptied by a real charge."""
    top_mv: int | None = None
    """Highest level that three days in a row confirmed: nobody rests above full, so the table is at least that high."""
    charged_ms: int | None = None
    charged_h: float = 0.0
    """Hours of charging in this session."""
    rest_after_ms: int = 0
    """Rest voltages count from here on: surface charge fades first."""
    slope: tuple[float, float, float, float] | None = None
    """Percent per day with its interval, and the level at the last point."""
    quick: float | None = None
    """Slope of the last five points alone, percent per day."""
    load_ah: tuple[float, ...] = ()
    sun_ah: tuple[float, ...] = ()
    """The day's pattern: ampere-hours out and in per hour, for each three hours of the day (UTC)."""
    pattern_h: int = 0
    """Hours that the pattern has seen."""
    recent_a: float | None = None
    """Net current of the last hour heard, amperes."""
    load: Load | None = None
    forecast: Forecast | None = None
    exposure: Exposure = Exposure()
    coldest_c: float | None = None
    coldest_until_ms: int = 0
    eod_ms: int | None = None
    """Since when the voltage has stood below the end-of-discharge voltage under an ordinary load."""
    changed_ms: int | None = None
    """When the rest voltage rose by itself, as with another battery."""
