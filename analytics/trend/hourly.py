"""What is done once an hour: pattern, daily rest-voltage point, exposure, standing load and forecast are brought up to date."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.trend.forecast import forecast_of, offset_of, standing_load_of
from analytics.trend.level import charge_of
from analytics.trend.memory import BIN_H, BINS, DAYS, HOUR_MS, OLD_DAYS, Hour, TrendMemory
from analytics.trend.points import QUICK, daily_slope, quick_slope
from analytics.value import changed

if TYPE_CHECKING:
    from analytics.assessment import Load
    from analytics.view import View

REAL_CHARGE_H = 3.0
"""Judgement: after three hours on a charger the line through older rest voltages says nothing; a sunny noon is shorter or weaker."""
SETTLE_LEAD_H, SETTLE_LITHIUM_H = 24, 72
"""Judgement: surface charge of lead-acid fades within about a day (trade texts ask for up to 24 h), a full LiFePO4 cell for days."""
FULL_H = 10.0
"""Judgement: a night on a charger is a full charge, where nothing else tells."""
USED_C = 0.03
"""Of the rated capacity in an hour. Judgement: three points of charge are some 30 mV, which a line would take for a fall of days."""
JUMP_PCT = 15.0
"""Judgement: a rest voltage that is up by so much from one day to the next without a charge is another battery, or a charge unseen."""
LEFT_ON_H = 3
"""Judgement: who works in a parked vehicle for an hour or two switches off again; 4 A of 100 Ah leave less than half a day."""
SUNLESS, KNOWN = 1 / 8, 1.1
"""Judgement: less sun than an eighth of the load is what a charger of some weeks ago left in the pattern; a load that the pattern holds to
a tenth did not come lately, and a shunt's offset never did."""
EMPTY = 40
"""Step of the model's grid (400) below which an empty battery's voltage comes and goes with the cold: a tenth. Judgement."""


def hour_over(view: View, memory: TrendMemory, at_h: int) -> TrendMemory:
    """The memory with the running hour folded in and a new hour begun; `at_h` is the new hour."""
    hour = memory.hour
    if hour.at_h < 0 or at_h < hour.at_h:
        return changed(memory, hour=Hour(at_h), day=at_h // 24, day_v=None)
    if hour.heard_ms:
        memory = _used(view, _charged(view, memory, hour), hour)
        if hour.in_as or hour.out_as:
            memory = _patterned(memory, hour)
        memory = _exposed(view, memory, hour)
    block_over = at_h // BIN_H != hour.at_h // BIN_H
    if block_over and hour.top_v is not None and (memory.day_v is None or hour.top_v < memory.day_v):
        memory = changed(memory, day_v=hour.top_v)
    if at_h // 24 != memory.day:
        memory = _day_over(view, memory, at_h // 24)
    load = standing_load_of(view, memory, hour)
    forecast = forecast_of(view, _going_on(view, memory, load))
    return changed(memory, hour=Hour(at_h, None if block_over else hour.top_v), load=load, forecast=forecast)


def _going_on(view: View, memory: TrendMemory, load: Load | None) -> TrendMemory:
    """What the forecast is made from. In storage a load that came and has not stopped for hours was left on: it goes on at every hour
    without sun, and what the pattern and rest voltages know of the days before it came says nothing of it."""
    if load is None or load.basis != "current" or view.use.mode != "stored" or len(memory.load_ah) != BINS:
        return memory
    offset_a, doubt_a = offset_of(view)
    charged = memory.charged_ms is not None and memory.charged_ms > load.since_ms
    if charged or view.now_ms - load.since_ms < LEFT_ON_H * HOUR_MS or load.current_a < 3 * doubt_a:
        return memory
    left_a, pattern = load.current_a - offset_a, zip(memory.load_ah, memory.sun_ah, strict=True)
    loads = tuple([max(a, left_a) if sun_a < SUNLESS * left_a else a for a, sun_a in pattern])
    if sum(loads) < KNOWN * sum(memory.load_ah):
        return memory
    since = tuple([point for point in memory.points if point[0] * 24 * HOUR_MS >= load.since_ms])
    if len(since) >= QUICK:
        return changed(memory, load_ah=loads)
    return changed(memory, load_ah=loads, points=since if len(since) > 1 else (), slope=None)


def _charged(view: View, memory: TrendMemory, hour: Hour) -> TrendMemory:
    """Sessions of charging, and from when on a rest voltage counts again."""
    end_ms = (hour.at_h + 1) * HOUR_MS
    if hour.charged:
        memory = changed(memory, charged_ms=end_ms, charged_h=memory.charged_h + 1, rest_after_ms=end_ms + 4 * HOUR_MS)
        return memory if memory.charged_h < REAL_CHARGE_H else _without_line(memory)
    settle_h = SETTLE_LEAD_H if view.model.lead else SETTLE_LITHIUM_H
    if memory.charged_h < REAL_CHARGE_H:
        return memory if memory.charged_h == 0 else changed(memory, charged_h=0.0)
    return changed(memory, charged_h=0.0, rest_after_ms=max(memory.rest_after_ms, end_ms + settle_h * HOUR_MS))


def _used(view: View, memory: TrendMemory, hour: Hour) -> TrendMemory:
    """When a counted use is over, the line through rest voltages begins anew: what was taken once is no fall that goes on."""
    least_a = USED_C * view.model.capacity_ah
    if (
        not memory.points
        or memory.recent_a is None
        or -memory.recent_a < least_a
        or hour.out_as - hour.in_as > least_a * hour.heard_ms / 1000
    ):
        return memory
    return _without_line(memory)


def _without_line(memory: TrendMemory) -> TrendMemory:
    """The line through rest voltages begins anew."""
    return changed(memory, points=(), slope=None, quick=None, day_v=None)


def _patterned(memory: TrendMemory, hour: Hour) -> TrendMemory:
    """The day's pattern as running means, a new day weighing a third."""
    per_h = HOUR_MS / max(hour.heard_ms, HOUR_MS // 4) / 3600
    out_ah, in_ah = hour.out_as * per_h, hour.in_as * per_h
    loads, suns = memory.load_ah, memory.sun_ah
    bin_ = hour.at_h % 24 // BIN_H
    if len(loads) != BINS:
        loads, suns = (out_ah,) * BINS, (in_ah,) * BINS
    weight = 0.5 if memory.pattern_h < 24 else 0.13
    load = round(loads[bin_] + weight * (out_ah - loads[bin_]), 4)
    sun = round(suns[bin_] + weight * (in_ah - suns[bin_]), 4)
    return changed(
        memory,
        load_ah=(*loads[:bin_], load, *loads[bin_ + 1 :]),
        sun_ah=(*suns[:bin_], sun, *suns[bin_ + 1 :]),
        pattern_h=min(memory.pattern_h + 1, 10_000),
        recent_a=round(in_ah - out_ah, 4),
    )


def _exposed(view: View, memory: TrendMemory, hour: Hour) -> TrendMemory:
    charge, e = charge_of(view), memory.exposure
    full = hour.charged and (memory.charged_h >= FULL_H or (charge is not None and charge[0] > 97))
    if full and e.low_h:
        return changed(memory, exposure=e._replace(low_h=0.0, depth_pct_h=0.0))
    if charge is None:
        return memory
    pct = charge[0]
    if e.lowest_pct is None or pct < e.lowest_pct - 0.5:
        e = e._replace(lowest_pct=round(pct, 1), lowest_ms=hour.at_h * HOUR_MS)
    limit = view.battery.kind.sulfation_pct
    if limit is not None and not hour.charged and pct < limit.value:
        e = e._replace(low_h=e.low_h + 1, depth_pct_h=round(e.depth_pct_h + limit.value - pct, 1))
    return memory if e is memory.exposure else changed(memory, exposure=e)


def _day_over(view: View, memory: TrendMemory, day: int) -> TrendMemory:
    """The day's rest voltage becomes a point; the line through the points is drawn anew."""
    if memory.day_v is None:
        return changed(memory, day=day)
    point = (memory.day, round(memory.day_v * 1000))
    points = memory.points
    if points and point[0] - points[-1][0] > OLD_DAYS:
        points = ()
    if points and point[1] - points[-1][1] > 10 * JUMP_PCT * view.model.volts and points[-1][1] > 1000 * view.model.grid[EMPTY]:
        memory = changed(memory, changed_ms=(memory.day + 1) * 24 * HOUR_MS, exposure=memory.exposure._replace(low_h=0.0, depth_pct_h=0.0))
        points = ()
    points = (*points, point)[-DAYS:]
    top_mv = memory.top_mv
    if len(points) >= 3:
        confirmed = min(v for _, v in points[-3:])
        top_mv = confirmed if top_mv is None else max(top_mv, confirmed)
    memory = changed(memory, day=day, day_v=None, points=points, top_mv=top_mv)
    return changed(memory, slope=daily_slope(view, memory), quick=quick_slope(view, memory))
