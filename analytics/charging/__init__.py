"""Charging sessions: phases, set-points and what they say about the charger. Judged in analytics/rules/charge_*.py.

`update` is called once per closed span; a span without charging costs a few comparisons.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.charging.memory import ChargingMemory, Held, Session
from analytics.charging.phases import CHARGING, HELD_BAND_CELL_V, JUMP_CELL_V, believed_a, believed_v, gives, held_after, phase_of, quiet_a
from analytics.charging.sessions import REGULATED, session_after
from analytics.value import new

if TYPE_CHECKING:
    from analytics.battery import Battery
    from analytics.reading import Note
    from analytics.span import Span
    from analytics.view import View

__all__ = ["CHARGING", "ChargingMemory", "Held", "Session", "noted", "update"]

EVERY_MS = 300_000
STILL_CELL_V = 0.004
"""Judgement: a span that differs by less than 24 mV (six cells) from one of the last five minutes tells nothing new."""
PULSE_V = 0.5
"""At 12 V. Judgement: a pulse lifts a battery by more than half a volt above its last voltage; noise, sun and loads seldom do."""
SILENT_MS = 1_800_000
"""Judgement: after half an hour of silence nothing that was held is known to be held still."""


def update(view: View, memory: ChargingMemory) -> ChargingMemory:
    """The memory after one more span; on a tick only silence is noticed."""
    span = view.span
    if span is None or view.ticked:
        silent = memory.heard_ms is not None and view.now_ms - memory.heard_ms > SILENT_MS
        return memory._replace(phase="unknown", held=None) if silent and memory.phase != "unknown" else memory
    battery, end_ms, silent = view.battery, span.end_ms, span.gap_ms > SILENT_MS
    was, heard_ms, last_v, doubt_v, _, slow_a, held, score, *rest = memory
    if heard_ms is None or last_v is None:
        heard_ms = end_ms
    elif end_ms - heard_ms < EVERY_MS and doubt_v is None and _nothing_new(view, memory, last_v):
        return memory
    voltage_v = believed_v(span, last_v)
    jump_v = JUMP_CELL_V * battery.cells
    jumped = last_v is not None and abs(voltage_v - last_v) > jump_v and not _explained(view, memory, voltage_v, last_v)
    if jumped and (doubt_v is None or abs(voltage_v - doubt_v) > jump_v):
        return memory._replace(doubt_v=round(voltage_v, 3), heard_ms=end_ms, pulse_score=_pulsed(battery, memory, span))
    current_a = believed_a(span)
    pulsing = slow_a is not None and slow_a > 0.02 * battery.rated_capacity_ah
    slow_v, slow_a = _slow(memory, voltage_v, current_a, end_ms - heard_ms, fresh=silent or last_v is None)
    held = held_after(None if silent else held, voltage_v, slow_a, span, HELD_BAND_CELL_V * battery.cells)
    score = _pulsed(battery, memory, span) if score > 0 or span.voltage_high_v - voltage_v > _pulse_v(battery) else 0.0
    memory = new(ChargingMemory, (was, end_ms, round(voltage_v, 3), None, slow_v, slow_a, held, score, *rest))
    phase = phase_of(battery, memory, voltage_v, current_a, span)
    before = "charging" if pulsing else was
    if phase != was:
        memory = new(ChargingMemory, (phase, *memory[1:]))
    if memory.running is None and phase not in CHARGING:
        return memory
    return session_after(view, memory, before, voltage_v, current_a, span)


def _nothing_new(view: View, memory: ChargingMemory, last_v: float) -> bool:
    """Whether this span, minutes after the last one at most, may be passed over: it looks like that. The common path where readings come often."""
    span, battery = view.span, view.battery
    assert span is not None
    still_v = STILL_CELL_V * battery.cells
    if not last_v - still_v < span.voltage_low_v <= span.voltage_high_v < last_v + still_v:
        return False
    current_a, slow_a = span.current_a, memory.slow_a
    if current_a is None or slow_a is None:
        return current_a is slow_a
    quiet = quiet_a(battery)
    if memory.phase in REGULATED and current_a <= quiet:
        return slow_a <= quiet
    if current_a <= quiet:
        return slow_a <= quiet and gives(current_a, quiet, memory.phase) == (memory.phase == "discharging") and memory.phase not in CHARGING
    return slow_a > quiet and abs(current_a - slow_a) < 0.1 * slow_a + quiet and memory.phase in CHARGING


def noted(view: View, memory: ChargingMemory, note: Note) -> ChargingMemory:
    """Another battery in place: its charges begin anew."""
    return ChargingMemory() if note.kind == "replaced" else memory


def _explained(view: View, memory: ChargingMemory, voltage_v: float, last_v: float) -> bool:
    """A jump upwards together with one of the charging current is no wrong sample."""
    assert view.span is not None
    current_a = view.span.current_a
    return voltage_v > last_v and current_a is not None and current_a - (memory.slow_a or 0.0) > 0.05 * view.battery.rated_capacity_ah


def _slow(
    memory: ChargingMemory, voltage_v: float, current_a: float | None, dt_ms: int, *, fresh: bool
) -> tuple[float | None, float | None]:
    if fresh or memory.slow_v is None:
        return round(voltage_v, 4), current_a
    slow_v = memory.slow_v + dt_ms / (dt_ms + 3_600_000) * (voltage_v - memory.slow_v)
    if current_a is None:
        return round(slow_v, 4), None
    before = current_a if memory.slow_a is None else memory.slow_a
    return round(slow_v, 4), round(before + dt_ms / (dt_ms + 240_000) * (current_a - before), 3)


def _pulse_v(battery: Battery) -> float:
    return PULSE_V / battery.kind.cells_12v * battery.cells


def _pulsed(battery: Battery, memory: ChargingMemory, span: Span) -> float:
    """Excursions of the voltage, counted and fading: a charger that pulses makes many an hour, a faulty sample one."""
    faded_ms = 0 if memory.heard_ms is None else span.end_ms - memory.heard_ms
    score = memory.pulse_score * max(0.0, 1.0 - faded_ms / 3_600_000)
    high = memory.voltage_v is not None and span.voltage_high_v - memory.voltage_v > _pulse_v(battery)
    return round(score + (1.0 if high else 0.0), 2)
