"""Charging sessions phases, set-points and what they say about the charger."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View


class ChargingMemory(NamedTuple):
    """What it remembers: numbers, strings, None and tuples of these only, so that it can be kept as JSON."""

    phase: str = "unknown"


def update(view: View, memory: ChargingMemory) -> ChargingMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    return memory


def noted(view: View, memory: ChargingMemory, note: Note) -> ChargingMemory:
    """Called when a person did or said something."""
    return memory
