"""Ageing: cycles, throughput, capacity and resistance against new, and how long it may last. Judged in analytics/rules/ageing_*.py.

A span costs one sum; the rest is done every half hour. Nothing here counts a span twice, whatever is kept and loaded between.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.ageing.life import life_after
from analytics.ageing.memory import AgeingMemory, Life
from analytics.value import changed, new

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View

__all__ = ["AgeingMemory", "Life", "noted", "update"]

EVERY_MS = 1_800_000
"""Judgement: cycles take hours; half an hour loses less than a hundredth of one."""
SILENT_MS, USUAL = 3_600_000, 1.5
"""Judgement: an hour without a reading is a silence, unless the sensor never speaks more often."""


def update(view: View, memory: AgeingMemory) -> AgeingMemory:
    """The memory after one more span; a tick changes nothing."""
    span = view.span
    if span is None or view.ticked:
        return memory
    replaced_ms = view.use.replaced_ms
    if replaced_ms is not None and span.begin_ms < replaced_ms:
        return memory  # the old battery's last minute
    heard_ms, in_ah, out_ah, life = memory
    current_a = span.current_a
    if current_a is not None and heard_ms is not None:
        gap_ms = span.end_ms - heard_ms
        if gap_ms < SILENT_MS or not _silent(view, gap_ms):
            if current_a > 0:
                in_ah += current_a * gap_ms / 3_600_000
            else:
                out_ah -= current_a * gap_ms / 3_600_000
    if life is None or span.end_ms - life.at_ms >= EVERY_MS:
        silent = heard_ms is not None and span.gap_ms >= SILENT_MS and _silent(view, span.gap_ms)
        in_ah, out_ah = round(in_ah, 3), round(out_ah, 3)
        life = life_after(view, life, in_ah, out_ah, silent=silent)
    elif span.gap_ms >= SILENT_MS and _silent(view, span.gap_ms):
        life = changed(life, leg=None, far=None, full=None, silent_h=life.silent_h + span.gap_ms / 3_600_000)
    return new(AgeingMemory, (span.end_ms, in_ah, out_ah, life))


def _silent(view: View, gap_ms: int) -> bool:
    """Whether this is more than the sensor usually lets us wait."""
    usual_ms = view.use.interval_ms
    return usual_ms is None or gap_ms > max(SILENT_MS, USUAL * usual_ms)


def noted(view: View, memory: AgeingMemory, note: Note) -> AgeingMemory:
    """Another battery in place begins its own life."""
    return AgeingMemory() if note.kind == "replaced" else memory
