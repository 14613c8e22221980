"""Suspicions about the sensor itself: what it repeats, what it turns round, what it cannot mean. Judged in analytics/rules/sensor_*.py.

`update` is called once per closed span; on the common path it compares a few numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from analytics.charging.phases import lifted_v
from analytics.estimate import believable_c
from analytics.span import SPAN_MS
from analytics.value import new

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View

SAME_A, SAME_V = 0.0005, 0.0005
"""Readings are kept to 1 mA and 1 mV: closer than half of that is the same value."""
STEP_C = 0.02
"""A change of current, as a part of the capacity per hour, that must show in the voltage. Judgement: 2 A on 100 Ah is some 20 mV."""
FADE = 0.95
"""Each load step weighs this much less than the next. Judgement: twenty steps decide."""
EMPTY_CELL_V, EMPTY_LITHIUM_CELL_V = 1.9, 3.0
"""Judgement: below, an empty battery's voltage falls by itself, whatever the load does."""
FRESH_MS = 900_000
"""After a longer silence the voltage has moved for other reasons too."""


SILENT_MS = 6 * 3_600_000
"""What was still before such a silence owes nothing to what is still after it."""


class WrongClock(NamedTuple):
    """A sender's clock that is wrong for good: readings are dated by when they come (ingest), and here it is known to be said."""

    off_ms: int
    """What was added to its stamps, milliseconds."""
    since_ms: int
    who: str
    """The sender: the source and its topic or port."""


class SensorMemory(NamedTuple):
    """What is remembered between spans."""

    same_a: float | None = None
    """The current that has not changed since `same_a_ms`."""
    same_a_ms: int = 0
    same_a_low_v: float = 0.0
    same_a_high_v: float = 0.0
    """Lowest and highest voltage meanwhile."""
    same_v: float | None = None
    """The voltage that has not changed since `same_v_ms`."""
    same_v_ms: int = 0
    same_v_out_ah: float = 0.0
    """Charge drawn meanwhile, ampere-hours."""
    fault_c: float | None = None
    """The last impossible temperature."""
    fault_c_ms: int = 0
    faults_c: int = 0
    """Spans of a minute in a row with an impossible temperature, at most 1000."""
    last_v: float | None = None
    last_a: float | None = None
    last_ms: int = 0
    steps: float = 0.0
    """Load steps seen, fading."""
    step_va: float = 0.0
    step_aa: float = 0.0
    """Sums of change of voltage × change of current, and of the square of the latter: their ratio is a resistance with its sign."""
    same_a_spans: int = 0
    """Spans of a minute in which the current has not changed since `same_a_ms`."""
    same_a_rise_v: float = 0.0
    """Largest rise of the voltage above its lowest before, meanwhile."""
    clock: WrongClock | None = None


def update(view: View, memory: SensorMemory) -> SensorMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    span = view.span
    if span is None or view.ticked:
        return memory
    (same_a, same_a_ms, low_v, high_v, same_v, same_v_ms, out_ah, fault_c, fault_ms, faults, last_v, last_a, last_ms, steps, va, aa, spans, rise_v, clock) = (
        memory
    )  # fmt: skip
    v, a, now_ms = span.voltage_v, span.current_a, span.end_ms
    first, last = span.current_low_a, span.current_high_a
    minutes = 1 + (span.end_ms - span.begin_ms) // SPAN_MS  # a calm span stands for several
    if span.gap_ms > SILENT_MS:
        same_a = same_v = None
    if a is None or first is None or last is None:
        same_a = None
    elif same_a is not None and first - same_a > -SAME_A and last - same_a < SAME_A:
        low_v = span.voltage_low_v if span.voltage_low_v < low_v else low_v
        high_v = span.voltage_high_v if span.voltage_high_v > high_v else high_v
        spans += minutes
        if v - low_v > rise_v:
            rise_v = v - low_v
    else:
        same_a, same_a_ms, low_v, high_v = span.current_last_a, now_ms, span.voltage_low_v, span.voltage_high_v
        spans, rise_v = minutes, 0.0
    if same_v is not None and span.voltage_low_v - same_v > -SAME_V and span.voltage_high_v - same_v < SAME_V:
        if a is not None and a < 0:
            out_ah -= a * (now_ms - last_ms) / 3.6e6
    else:
        same_v, same_v_ms, out_ah = span.voltage_last_v, now_ms, 0.0
    celsius = span.temperature_c
    if celsius is not None and believable_c(celsius) is None:
        fault_c, fault_ms, faults = celsius, now_ms, min(1000, faults + minutes)
    elif celsius is not None:
        faults = 0
    if a is not None and last_a is not None and last_v is not None:
        step = a - last_a
        if abs(step) > STEP_C * view.battery.rated_capacity_ah and now_ms - last_ms < FRESH_MS and _ohmic(view, v, last_v):
            steps, va, aa = FADE * steps + 1, FADE * va + step * (v - last_v), FADE * aa + step * step
    return new(SensorMemory, (
        same_a, same_a_ms, low_v, high_v, same_v, same_v_ms, out_ah, fault_c, fault_ms, faults, v, a, now_ms, steps, va, aa, spans, rise_v, clock,
    ))  # fmt: skip


def _ohmic(view: View, now_v: float, last_v: float) -> bool:
    """Whether a step of the current tells of the battery's resistance: no charger holds the voltage, and it is not collapsing, empty."""
    battery = view.battery
    empty_v = (EMPTY_CELL_V if battery.kind.lead_acid else EMPTY_LITHIUM_CELL_V) * battery.cells
    held_v = lifted_v(battery)
    return empty_v < now_v <= held_v and empty_v < last_v <= held_v


def step_ohm(memory: SensorMemory) -> float | None:
    """Resistance that the load steps show, with its sign; None before a dozen of them."""
    return memory.step_va / memory.step_aa if memory.steps >= 8 and memory.step_aa > 0 else None


def noted(view: View, memory: SensorMemory, note: Note) -> SensorMemory:
    """Another battery is in place: its voltage owes nothing to the old one's. Or a sender's clock was found wrong, or right again."""
    if note.kind == "clock":
        off_ms = note.value
        return memory._replace(clock=WrongClock(int(off_ms), note.at_ms, note.who) if isinstance(off_ms, int | float) else None)
    return SensorMemory(clock=memory.clock) if note.kind == "replaced" else memory
