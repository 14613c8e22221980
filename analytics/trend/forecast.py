"""Time until the safe limit as an interval, and the standing load. Charge balance where a shunt sees the load, rest voltages where not."""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

from analytics import estimate
from analytics.assessment import Forecast, Load
from analytics.trend.level import SMALL_C, WIDE_PCT, charge_of
from analytics.trend.memory import BIN_H, BINS, DAY_MS, HOUR_MS, OLD_DAYS, Hour, TrendMemory
from analytics.trend.points import OWN_TABLE_V, QUICK, level_interval, pct_of, shift_v
from analytics.trend.slope import Z90

if TYPE_CHECKING:
    from analytics.view import View

FARTHEST_MS = 365 * DAY_MS
SLOWEST = 0.02
"""Percent a day below which nothing falls: 0.6 % a month is less than any battery's self-discharge. Judgement."""
LOADS_OFF = 0.25
"""Judgement: one day's loads differ from the pattern by a quarter."""
DULL_OFF, BRIGHT_OFF = 0.6, 0.2
"""Judgement: the sun gives from two fifths of the pattern to a fifth more."""
GOES_ON_H = 2
"""Judgement: what is drawn just now beyond the usual goes on for as long as an owner in use needs to answer; a heater that came on an hour ago
does not stop because the pattern does not know it."""
LUMPY_H = 1.0
"""Judgement: a kettle takes in minutes what the pattern spreads over three hours: a third of it may come at once."""
SEEN_PCT = 4.0
"""Judgement: of a fall by so much, a lead-acid battery's rest voltage shows 30 mV or more."""
FLAT_ROOM_PCT = 10.0
"""Judgement: by voltage alone LiFePO4 is told to fall only where its curve falls, within ten points of the limit; a step of the voltmeter
is worth several percent above."""
STEEP_V = 0.010
"""A cell, over the last five points. Judgement: four steps of a voltmeter that shows hundredths; on the plateau it would be ten points."""
FLAT_DAYS = 5
"""Judgement: after the last charge its voltage sinks for days by itself, without losing charge."""
LONGEST_H = 7 * 24


def forecast_of(view: View, memory: TrendMemory) -> Forecast:
    """The earliest and latest time at which the state of charge crosses the safe limit."""
    limit = view.battery.limit_pct
    by_charge = _by_charge(view, memory, limit)
    by_voltage = _by_voltage(view, memory, limit)
    if by_voltage is not None and _is_small(view, memory):
        return by_voltage
    if by_charge is not None and (
        by_voltage is None or (by_charge.earliest_ms or FARTHEST_MS * 100) < (by_voltage.earliest_ms or FARTHEST_MS * 100)
    ):
        return by_charge
    if by_voltage is not None:
        return by_voltage
    if memory.charged_ms is not None and view.now_ms - memory.charged_ms < DAY_MS:
        return Forecast(limit, None, None, "cannot judge: charged within the last day")
    return Forecast(limit, None, None, "cannot judge: fewer than three quiet days lately")


def _is_small(view: View, memory: TrendMemory) -> bool:
    """A load so small that days of rest voltages know it better than a shunt with an offset."""
    return -(memory.recent_a or 0.0) < SMALL_C * view.model.capacity_ah and view.now_ms // DAY_MS - memory.points[-1][0] <= 3


def _by_voltage(view: View, memory: TrendMemory, limit: float) -> Forecast | None:
    """From the line through the daily rest voltages; absolute times, so that it holds through a silence."""
    if memory.slope is None:
        return None
    if view.now_ms // DAY_MS - memory.points[-1][0] > OLD_DAYS:
        return None
    middle, low, high, level = memory.slope
    # A flat curve with hysteresis turns steps of the sensor into slopes: there only the middle of the interval counts.
    quick = middle if memory.quick is None else memory.quick
    fast = -min(low, quick) if view.model.lead else -1.5 * middle
    if middle > -SLOWEST or high >= 0:
        return Forecast(limit, None, None, "rest voltage slope")
    shift = shift_v(view, memory.top_mv)
    level_low, level_high = level_interval(view, level, shift)
    last_ms = memory.points[-1][0] * DAY_MS + DAY_MS // 2
    if not view.model.lead:
        days, counted = memory.points[-1][0] - memory.points[0][0], memory.pattern_h >= 24
        if is_steep(view, memory) and not counted:
            level, fast = min(level, pct_of(view, memory.points[-1][1], shift)), max(fast, -quick)
        if counted and view.low_pct is not None and view.high_pct is not None and view.high_pct - view.low_pct <= WIDE_PCT:
            last_ms, level_low, level_high = view.now_ms, view.low_pct, view.high_pct
        elif level - limit > FLAT_ROOM_PCT or days < FLAT_DAYS:
            return Forecast(limit, None, None, "rest voltage slope")
        else:
            level_low = _flat_low(view, level)
        fast = _flat(view, memory, fast)
    return Forecast(
        limit,
        _at(last_ms, level_low - limit, fast, view.now_ms),
        _at(last_ms, level_high - limit, -high, view.now_ms),
        "rest voltage slope",
    )


def is_steep(view: View, memory: TrendMemory) -> bool:
    """Whether LiFePO4 has come to where its curve falls: then its last days tell of the fall what a fortnight on the plateau hides."""
    last = memory.points[-QUICK:]
    return not view.model.lead and memory.quick is not None and last[0][1] - last[-1][1] >= 1000 * STEEP_V * view.battery.cells


def _flat_low(view: View, level_pct: float) -> float:
    """The low end of a LiFePO4 level that falls: it stands on the lower branch of its hysteresis, so that it reads low already.

    Without an owner's table it reads lower still: the published curve stands above those of the batteries known here (tests/truth).
    """
    if view.battery.rest_voltage_table is None:
        return level_pct
    off_v = Z90 * OWN_TABLE_V * view.battery.cells
    return estimate.rest_pct(view.model, estimate.rest_v(view.model, level_pct) - off_v, None)


def _flat(view: View, memory: TrendMemory, fast: float) -> float:
    """Where the rest voltage hardly tells (LiFePO4), a measured current bounds the fall."""
    if memory.pattern_h < 24:
        return fast
    own = view.battery.kind.self_discharge_pct_per_month.high / 30
    most_a = (sum(memory.load_ah) - sum(memory.sun_ah)) / BINS + 1.645 * view.battery.sensor.current_offset_a
    return min(fast, own + 2400 * max(0.0, most_a) / view.model.capacity_ah)


def _at(from_ms: int, room_pct: float, pct_per_day: float, now_ms: int) -> int | None:
    """When the room is used up; None if more than a year away."""
    if room_pct <= 0:
        return min(from_ms, now_ms)
    if pct_per_day <= SLOWEST / 2:
        return None
    at_ms = from_ms + room_pct / pct_per_day * DAY_MS
    return None if at_ms - now_ms > FARTHEST_MS else int(at_ms)


def _by_charge(view: View, memory: TrendMemory, limit: float) -> Forecast | None:
    """From the pattern of loads and sun, where they stand out of the sensor's offset; None where they do not."""
    charge, flows = charge_of(view), _flows(view, memory)
    if charge is None or flows is None or memory.recent_a is None:
        return None
    if not flows[0]:
        return Forecast(limit, None, None, "charge balance")
    _, low, high = charge
    capacity, now_h = estimate.capacity_ah(view.model, view.belief), view.now_ms // HOUR_MS
    low_ah, high_ah = (low - limit) / 100 * capacity, (high - limit) / 100 * capacity
    early = _crossing(now_h, low_ah, *flows, 1.0, max(0.0, -memory.recent_a))
    late = _crossing(now_h, high_ah, *flows, -1.0, 0.0)
    ms = [None if h is None else view.now_ms + int(h * HOUR_MS) for h in (early, late)]
    return Forecast(limit, ms[0], ms[1], "charge balance")


def _flows(view: View, memory: TrendMemory) -> tuple[tuple[float, ...], tuple[float, ...]] | None:
    """Loads and sun over the day, amperes in each three hours; no loads at all while too little is known, None where they do not stand
    out of the sensor's offset."""
    if memory.recent_a is None or memory.pattern_h < 2:
        return None
    offset_a, doubt_a = offset_of(view)
    loads = tuple(max(0.0, a + offset_a) for a in memory.load_ah)
    mean_a = sum(loads) / BINS
    if mean_a < 2 * doubt_a or _is_belied(view, memory, mean_a):
        return None
    if memory.pattern_h >= 24:
        return loads, memory.sun_ah
    steady = offset_a - memory.recent_a
    return ((steady,) * BINS, (0.0,) * BINS) if steady > 2 * doubt_a else ((), ())


def expected_low_pct(view: View, hours: int) -> float | None:
    """How low the state of charge is expected to fall within so many hours if loads and sun go on as usual, percent: the middle of what the
    forecast spans. In each three hours the loads come first, the kettle before the sun. None where it does not count charge."""
    charge, flows = charge_of(view), _flows(view, view.trend)
    if charge is None or flows is None or not flows[0]:
        return None
    loads, suns = flows
    per_ah, now_h = 100 / estimate.capacity_ah(view.model, view.belief), view.now_ms // HOUR_MS
    pct = lowest = charge[0]
    for at_h in range(now_h, now_h + hours):
        bin_ = at_h % 24 // BIN_H
        lowest = min(lowest, pct - per_ah * loads[bin_] * (BIN_H - at_h % BIN_H))
        pct = min(100.0, pct + per_ah * (suns[bin_] - loads[bin_]))
    return lowest


def _is_belied(view: View, memory: TrendMemory, mean_a: float) -> bool:
    """A small current for days, and the rest voltage stays where it was: the shunt's offset, whatever its maker states."""
    if not memory.points or mean_a > SMALL_C * view.model.capacity_ah:
        return False
    first, last = memory.points[0], memory.points[-1] if memory.day_v is None else (memory.day, memory.day_v * 1000)
    shift = shift_v(view, memory.top_mv)
    fell_pct = pct_of(view, first[1], shift) - pct_of(view, last[1], shift)
    counted_pct = 2400 * mean_a / view.model.capacity_ah * (last[0] - first[0])
    return view.model.lead and counted_pct > SEEN_PCT and fell_pct < counted_pct / 3


def offset_of(view: View) -> tuple[float, float]:
    """The current that the sensor shows when none flows, as learned (or 0), and half of its 90 % interval, amperes."""
    learned = estimate.learned_offset(view.belief)
    if learned is None:
        return 0.0, Z90 * view.battery.sensor.current_offset_a
    return learned.value, max((learned.high - learned.low) / 2, 0.01)


def _crossing(now_h: int, room_ah: float, loads: tuple[float, ...], suns: tuple[float, ...], side: float, now_a: float) -> float | None:
    """Hours until the room may be used up (side 1) or must be (side -1); the load of now goes on for a while. None: not within a week.

    What the loads, the sun and a lump of load may be off are independent, so their squares add up.
    """
    if room_ah <= 0:
        return 0.0
    out_ah = in_ah = 0.0
    before_ah, sun_off = room_ah, DULL_OFF if side > 0 else BRIGHT_OFF
    lumpy_h = LUMPY_H if side > 0 else 0.0
    day = [(loads[h // BIN_H], suns[h // BIN_H]) for h in range(24)]
    for hour in range(LONGEST_H):
        load, sun = day[(now_h + hour) % 24]
        if hour < GOES_ON_H and now_a > load - sun:
            load, sun = now_a, 0.0
        out_ah += load
        in_ah += sun
        out_off, in_off, lump_ah = LOADS_OFF * out_ah, sun_off * in_ah, lumpy_h * load
        left_ah = room_ah - out_ah + in_ah - side * sqrt(out_off * out_off + in_off * in_off + lump_ah * lump_ah)
        if left_ah <= 0:
            return hour + before_ah / (before_ah - left_ah)
        before_ah = left_ah
    return None


def days_until(room_pct: float, load_a: float, capacity_ah: float, self_discharge_pct_per_month: float) -> float:
    """Days in which a steady load and self-discharge use up so much charge (percent of the capacity)."""
    return room_pct / (2400 * load_a / capacity_ah + self_discharge_pct_per_month / 30)


def standing_load_of(view: View, memory: TrendMemory, hour: Hour) -> Load | None:
    """The load that is always there: from quiet hours where a shunt measures more than its offset, else from the slope."""
    battery, before = view.battery, memory.load
    offset_a, sigma = offset_of(view)
    if hour.heard_ms and (hour.in_as or hour.out_as):
        mean_a = (hour.out_as - hour.in_as) / hour.heard_ms * 1000 + offset_a
        steady = hour.high_a - hour.low_a < max(0.3, 0.25 * abs(mean_a))
        if not hour.charged and steady and mean_a > sigma:
            off = sigma + 0.01645 * battery.sensor.current_gain_pct * mean_a
            if before is not None and before.basis == "current" and abs(mean_a - before.current_a) < max(0.05, 0.2 * before.current_a):
                mean_a = before.current_a + (mean_a - before.current_a) / 8
                return Load(round(mean_a, 4), round(mean_a - off, 4), round(mean_a + off, 4), before.since_ms, "current")
            return Load(round(mean_a, 4), round(mean_a - off, 4), round(mean_a + off, 4), hour.at_h * HOUR_MS, "current")
        if before is not None and before.basis == "current":
            return before if not (steady and not hour.charged) else _by_slope(view, memory)
    elif before is not None and before.basis == "current" and hour.heard_ms == 0:
        return before
    return _by_slope(view, memory)


def _by_slope(view: View, memory: TrendMemory) -> Load | None:
    """What the fall of the rest voltage means in amperes, less the self-discharge; capacity is taken to be known to a fifth."""
    if memory.slope is None:
        return None
    middle, low, high, _ = memory.slope
    if middle > -SLOWEST or high >= 0:
        return None
    own = view.battery.kind.self_discharge_pct_per_month
    per_pct = view.model.capacity_ah / 100 / 24
    current_a = max(0.0, -middle - own.value / 30) * per_pct
    low_a = max(0.0, (-high - own.high / 30) * per_pct * 0.8)
    high_a = max(0.0, (-low - own.low / 30) * per_pct * 1.2)
    since_ms = memory.points[0][0] * DAY_MS if memory.load is None or memory.load.basis != "rest voltage slope" else memory.load.since_ms
    return Load(round(current_a, 4), round(low_a, 4), round(high_a, 4), since_ms, "rest voltage slope")
