"""Suspicions about the sensor itself stuck, reversed, offset, jump, fault codes."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View


class SensorMemory(NamedTuple):
    """What it remembers: numbers, strings, None and tuples of these only, so that it can be kept as JSON."""


def update(view: View, memory: SensorMemory) -> SensorMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    return memory


def noted(view: View, memory: SensorMemory, note: Note) -> SensorMemory:
    """Called when a person did or said something."""
    return memory
