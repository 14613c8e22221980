"""Where it is heading: rest voltages, daily pattern, standing load, forecast, time spent low.

Per span only the running hour is filled; everything else is worked out when an hour is over. It never judges: rules do.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.trend.forecast import forecast_of
from analytics.trend.hourly import hour_over
from analytics.trend.memory import DAY_MS, HOUR_MS, Exposure, Hour, TrendMemory
from analytics.value import changed, new

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.span import Span
    from analytics.view import View

__all__ = ["Exposure", "TrendMemory", "noted", "update"]

LONGEST_MS = 3_600_000
"""A reading speaks for at most an hour before it. Judgement."""
CHARGE_V = 0.30
"""So far above a full battery's rest voltage (six cells) only a charger keeps it; surface charge stays below. Judgement, after the
published trace that falls from 14.4 V to 13.1 V in a day (check values RELAX-SLA)."""
OFTEN_MS = 900_000
NEAR_MS = 8 * HOUR_MS
"""Judgement: an evening's loads come within minutes; with the limit a night away, once an hour is too seldom on a trip."""
COLDEST_MS = 5 * DAY_MS
"""A forecast of the weather is worth about five days. Judgement."""


def update(view: View, memory: TrendMemory) -> TrendMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    span = view.span
    if span is None:
        return memory
    if view.ticked:
        at_h = view.now_ms // HOUR_MS
        return memory if at_h == memory.hour.at_h else hour_over(view, memory, at_h)
    at_h = span.end_ms // HOUR_MS
    if at_h != memory.hour.at_h:
        memory = hour_over(view, memory, at_h)
    elif view.use.mode == "in use" and (span.begin_ms - span.gap_ms) // OFTEN_MS != span.end_ms // OFTEN_MS:
        memory = _foreseen(view, memory)
    hour = _grown(view, span, memory)
    if span.voltage_v < 0.93 * view.model.top_v or memory.eod_ms is not None:
        return changed(memory, hour=hour, eod_ms=_eod_ms(view, span, memory.eod_ms))
    return new(TrendMemory, (hour, *memory[1:]))


def _foreseen(view: View, memory: TrendMemory) -> TrendMemory:
    """On a trip with the limit near: the forecast anew within the hour, with the load of the running hour."""
    early_ms = None if memory.forecast is None else memory.forecast.earliest_ms
    hour, recent_a = memory.hour, memory.recent_a
    if early_ms is None or early_ms - view.now_ms > NEAR_MS or recent_a is None or hour.heard_ms < OFTEN_MS:
        return memory
    running_a = 1000 * (hour.in_as - hour.out_as) / hour.heard_ms
    return changed(memory, forecast=forecast_of(view, changed(memory, recent_a=min(recent_a, round(running_a, 4)))))


def _grown(view: View, span: Span, memory: TrendMemory) -> Hour:
    """The running hour with one more span."""
    at_h, top_v, heard_ms, in_as, out_as, low_a, high_a, charged = memory.hour
    model, current_a, gap_ms = view.model, span.current_a, span.gap_ms
    passed_ms = span.end_ms - span.begin_ms + (gap_ms if gap_ms < LONGEST_MS else LONGEST_MS)
    if current_a is not None:
        if current_a < 0:
            out_as -= current_a * passed_ms / 1000
        else:
            in_as += current_a * passed_ms / 1000
        if heard_ms == 0:
            low_a = high_a = current_a
        elif current_a < low_a:
            low_a = current_a
        elif current_a > high_a:
            high_a = current_a
    if span.voltage_v > (model.top_v + CHARGE_V * model.volts if model.lead else model.full_v):
        charged = True
    elif current_a is None or -0.02 * model.capacity_ah < current_a < 0.01 * model.capacity_ah:
        rest_v = _rest_v(view, span)
        if span.begin_ms >= memory.rest_after_ms and (top_v is None or rest_v > top_v):
            top_v = rest_v
    elif current_a > 0.01 * model.capacity_ah:
        charged = True
    return new(Hour, (at_h, top_v, heard_ms + passed_ms, in_as, out_as, low_a, high_a, charged))


def _rest_v(view: View, span: Span) -> float:
    """The span's best rest voltage, small loads taken off, at 25 °C."""
    model, voltage_v = view.model, span.voltage_high_v
    if span.current_a is not None:
        voltage_v -= span.current_a * model.ohms
    if span.temperature_c is not None:
        voltage_v -= model.tc_v * (span.temperature_c - 25.0)
    return round(voltage_v, 4)


def _eod_ms(view: View, span: Span, since_ms: int | None) -> int | None:
    """Since when the voltage stands below the end of discharge, brought back to an ordinary load of C/5 at most.

    The end-of-discharge voltage holds at the rated current (EN 50342); what a mover's burst adds is taken off through the resistance.
    """
    limit_v = view.model.end_v
    beyond_a = 0.0 if span.current_a is None else max(0.0, -span.current_a - 0.2 * view.model.capacity_ah)
    voltage_v = span.voltage_v + beyond_a * view.model.ohms
    if voltage_v < limit_v:
        return span.end_ms if since_ms is None else since_ms
    return None if since_ms is None or voltage_v > limit_v + 0.03 * view.battery.cells else since_ms


def noted(view: View, memory: TrendMemory, note: Note) -> TrendMemory:
    """Another battery drops the trend; the owner's coldest night is kept for some days."""
    if note.kind == "replaced":
        return TrendMemory(rest_after_ms=note.at_ms)
    if note.kind == "coldest" and isinstance(note.value, int | float):
        return changed(memory, coldest_c=float(note.value), coldest_until_ms=note.at_ms + COLDEST_MS)
    if note.kind == "forget" and note.value == "all":
        return changed(memory, points=(), top_mv=None, slope=None, quick=None, load_ah=(), sun_ah=(), pattern_h=0, forecast=None)
    return memory
