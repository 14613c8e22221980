"""What is done once an hour: pattern, daily rest-voltage point, exposure, standing load and forecast are brought up to date."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.charging.sessions import REGULATED
from analytics.trend.forecast import forecast_of, standing_load_of
from analytics.trend.level import charge_of
from analytics.trend.memory import BINS, BLOCK_H, DAYS, HOUR_MS, OLD_DAYS, Hour, TrendMemory
from analytics.trend.points import daily_slope, quick_slope
from analytics.value import changed

if TYPE_CHECKING:
    from analytics.view import View

REAL_CHARGE_H = 3.0
"""Judgement: after three hours on a charger the line through older rest voltages says nothing; a sunny noon is shorter or weaker."""
SETTLE_LEAD_H, SETTLE_LITHIUM_H = 24, 72
"""Judgement: surface charge of lead-acid fades within about a day (trade texts ask for up to 24 h), a full LiFePO4 cell for days."""
FULL_H = 10.0
"""Judgement: a night on a charger is a full charge, where nothing else tells."""
JUMP_PCT = 15.0
"""Judgement: a rest voltage that is up by so much from one day to the next without a charge is another battery, or a charge unseen."""
ANEW = 0.3
"""Judgement: the newest of days weighs a third."""
PLUGGED_C, LEAP = 0.08, 3.0
"""Judgement: 8 A of 100 Ah, and three times the usual of an hour and its neighbours, is no sun that came out. A weaker source, or a battery
nearly full, soon stands at its set-point and is known by that."""
EMPTY = 40
"""Step of the model's grid (400) below which an empty battery's voltage comes and goes with the cold: a tenth. Judgement."""


def hour_over(view: View, memory: TrendMemory, at_h: int) -> TrendMemory:
    """The memory with the running hour folded in and a new hour begun; `at_h` is the new hour."""
    hour = memory.hour
    if hour.at_h < 0 or at_h < hour.at_h:
        return changed(memory, hour=Hour(at_h), day=at_h // 24, day_v=None)
    if hour.heard_ms:
        memory = _charged(view, memory, hour)
        if hour.in_as or hour.out_as:
            memory = _patterned(view, memory, hour)
        memory = _exposed(view, memory, hour)
    block_over = at_h // BLOCK_H != hour.at_h // BLOCK_H
    if block_over and hour.top_v is not None and (memory.day_v is None or hour.top_v < memory.day_v):
        memory = changed(memory, day_v=hour.top_v)
    if at_h // 24 != memory.day:
        memory = _day_over(view, memory, at_h // 24)
    load, forecast = standing_load_of(view, memory, hour), forecast_of(view, memory)
    return changed(memory, hour=Hour(at_h, None if block_over else hour.top_v), load=load, forecast=forecast)


def _charged(view: View, memory: TrendMemory, hour: Hour) -> TrendMemory:
    """Sessions of charging, and from when on a rest voltage counts again."""
    end_ms = (hour.at_h + 1) * HOUR_MS
    if hour.charged:
        memory = changed(memory, charged_ms=end_ms, charged_h=memory.charged_h + 1, rest_after_ms=end_ms + 4 * HOUR_MS)
        return memory if memory.charged_h < REAL_CHARGE_H else changed(memory, points=(), slope=None, quick=None, day_v=None)
    settle_h = SETTLE_LEAD_H if view.model.lead else SETTLE_LITHIUM_H
    if memory.charged_h < REAL_CHARGE_H:
        return memory if memory.charged_h == 0 else changed(memory, charged_h=0.0)
    return changed(memory, charged_h=0.0, rest_after_ms=max(memory.rest_after_ms, end_ms + settle_h * HOUR_MS))


def _patterned(view: View, memory: TrendMemory, hour: Hour) -> TrendMemory:
    """The day's pattern as running means, a new day weighing a third.

    On a trip nothing is learned while a plug or an engine charges: it feeds the loads unseen, and is not to be expected of the next night.
    A battery that is held at its voltage shows only that sun and loads are so much or more.
    """
    per_h = HOUR_MS / max(hour.heard_ms, HOUR_MS // 4) / 3600
    out_ah, in_ah = hour.out_as * per_h, hour.in_as * per_h
    memory = changed(memory, recent_a=round(in_ah - out_ah, 4))
    loads, suns, heard_h = memory.load_ah, memory.sun_ah, memory.pattern_h
    bin_ = hour.at_h % BINS
    if len(loads) != BINS:
        loads, suns, heard_h = (out_ah,) * BINS, (0.0,) * BINS, 0
    if view.use.mode == "in use" or view.use.since_ms is None:
        if _is_plugged(view, memory, hour, in_ah, suns):
            return memory if memory.plugged else changed(memory, plugged=True)
        if view.charging.phase in REGULATED:
            out_ah, in_ah = max(out_ah, loads[bin_]), max(in_ah, suns[bin_])
    weight = 1.0 if heard_h < 24 else ANEW
    loads = _with(loads, bin_, loads[bin_] + weight * (out_ah - loads[bin_]))
    suns = _with(suns, bin_, suns[bin_] + weight * (in_ah - suns[bin_]))
    if heard_h < BINS - 1:
        loads = _like_those_heard(loads, bin_, heard_h + 1)
    return changed(memory, load_ah=loads, sun_ah=suns, pattern_h=min(heard_h + 1, 10_000), plugged=False)


def _with(hours: tuple[float, ...], bin_: int, value: float) -> tuple[float, ...]:
    """The day with another value at this hour."""
    return (*hours[:bin_], round(value, 4), *hours[bin_ + 1 :])


def _like_those_heard(loads: tuple[float, ...], bin_: int, heard_h: int) -> tuple[float, ...]:
    """The first day's loads: those of the hours that end with this one, and their mean for all others."""
    mean = round(sum(loads[bin_ - h] for h in range(heard_h)) / heard_h, 4)
    return tuple(load if (bin_ - b) % BINS < heard_h else mean for b, load in enumerate(loads))


def _is_plugged(view: View, memory: TrendMemory, hour: Hour, in_ah: float, suns: tuple[float, ...]) -> bool:
    """Whether this hour's charge is another's than the sun's: far more than is usual about this time of day, or still the same charge."""
    if not hour.charged or memory.plugged or memory.pattern_h == 0:
        return hour.charged
    bin_ = hour.at_h % BINS
    usual_ah = max(suns[bin_ - 1], suns[bin_], suns[(bin_ + 1) % BINS])
    return in_ah > max(LEAP * usual_ah, PLUGGED_C * view.model.capacity_ah)


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
