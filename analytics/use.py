"""Trips and storage told apart: from the loads that come and go, or by hand. Also how often the sensor speaks.

A constant load, however large, is not a trip: it is what was left on. Charging is not a trip either: a maintainer does it.
"""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.span import Span
    from analytics.view import View

STEP_C = 0.02
"""A load that comes: fraction of the rated capacity per hour. Judgement: 2 A of 100 Ah is a lamp row or a fridge, not a tracker's wake-up."""
STEP_V = 0.010
"""The same seen by voltage only, volts a cell. Judgement: 60 mV of six cells is several amperes; converters step by 5 to 10 mV."""
BURST_C = 0.3
"""A mover or an inverter: one is enough. Judgement."""
STEPS_OF_A_TRIP = 4.0
"""Judgement: a fridge steps twice an hour, what wakes up in a parked vehicle draws less; the count fades with `FADE_H`."""
FADE_H = 12.0
QUIET_H = 36.0
"""Judgement: a vehicle nobody has used for a day and a half is stored; a night and a day out without a load is rare."""
STALE_MS = 1_200_000
"""A step is between neighbours: after 20 minutes without a reading it is only a difference. Judgement."""


class UseMemory(NamedTuple):
    """How the vehicle is used, and the loads seen lately. A change of `mode` has the rules judged at once."""

    mode: str = "stored"
    """stored | in use. Unknown counts as stored: the longer response time warns earlier."""
    since_ms: int | None = None
    """None: not known yet; `mode` is then only a caution."""
    by_hand: bool = False
    replaced_ms: int | None = None
    """When another battery was put in place."""
    interval_ms: float | None = None
    """How long the sensor usually lets us wait: learned from the arrivals, outages counted at four times at most."""
    level_a: float | None = None
    level_v: float | None = None
    level_ms: int = 0
    """The last level of current and voltage, from which a step is measured."""
    steps: float = 0.0
    step_ms: int = 0


def update(view: View, memory: UseMemory) -> UseMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    span = view.span
    if span is None or view.ticked:
        return memory
    gap_ms, end_ms, interval_ms = span.gap_ms, span.end_ms, memory.interval_ms
    if gap_ms and (interval_ms is None or not 0.8 * gap_ms < interval_ms < 1.25 * gap_ms):
        memory = memory._replace(interval_ms=round(_interval(interval_ms, gap_ms), -2))
    stepped = _stepped(view, memory, span)
    if stepped or end_ms - memory.level_ms > 600_000:
        memory = memory._replace(level_a=span.current_a, level_v=span.voltage_last_v, level_ms=end_ms)
    if stepped:
        faded = memory.steps * exp((memory.step_ms - end_ms) / (FADE_H * 3_600_000))
        memory = memory._replace(steps=round(min(100.0, faded + stepped), 2), step_ms=end_ms)
    if memory.by_hand:
        return memory
    if memory.mode == "stored":
        if stepped and memory.steps >= STEPS_OF_A_TRIP:
            return memory._replace(mode="in use", since_ms=end_ms)
        if memory.since_ms is None:
            if memory.step_ms == 0:
                return memory._replace(step_ms=end_ms)
            if end_ms - memory.step_ms > QUIET_H * 3_600_000:
                return memory._replace(since_ms=end_ms)
    elif end_ms - memory.step_ms > QUIET_H * 3_600_000:
        return memory._replace(mode="stored", since_ms=end_ms, steps=0.0)
    return memory


def _interval(interval_ms: float | None, gap_ms: int) -> float:
    if interval_ms is None:
        return float(gap_ms)
    if gap_ms > interval_ms:
        return interval_ms + (min(gap_ms, 4 * interval_ms) - interval_ms) / 8
    return interval_ms - (interval_ms - gap_ms) / 64


def _stepped(view: View, memory: UseMemory, span: Span) -> float:
    """How many steps of a trip this span is worth: 0 for most."""
    current_a = span.current_a
    if current_a is not None:
        assert span.current_low_a is not None
        rated = view.battery.rated_capacity_ah
        if span.current_low_a > -STEP_C * rated:
            return 0.0
        if span.current_low_a < -BURST_C * rated:
            return STEPS_OF_A_TRIP
        level_a = memory.level_a
        return 1.0 if level_a is not None and span.gap_ms < STALE_MS and current_a < level_a - STEP_C * rated else 0.0
    if memory.level_v is None or span.gap_ms >= STALE_MS:
        return 0.0
    cells = view.battery.cells
    full_v = view.battery.kind.rest_voltage.rows[-1][1] * cells
    fell = min(memory.level_v, full_v + 0.02 * cells) - span.voltage_low_v
    return 1.0 if fell > STEP_V * cells else 0.0


def noted(view: View, memory: UseMemory, note: Note) -> UseMemory:
    """The owner sets the mode by hand, or puts another battery in place."""
    if note.kind == "replaced":
        return UseMemory(memory.mode, note.at_ms, memory.by_hand, replaced_ms=note.at_ms, interval_ms=memory.interval_ms)
    if note.kind != "mode":
        return memory
    if note.value in ("stored", "in use"):
        return memory._replace(mode=str(note.value), since_ms=note.at_ms, by_hand=True)
    return memory._replace(by_hand=False, step_ms=note.at_ms)
