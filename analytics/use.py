"""Trips and storage told apart from the data."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View


class UseMemory(NamedTuple):
    """What it remembers: numbers, strings, None and tuples of these only, so that it can be kept as JSON."""


def update(view: View, memory: UseMemory) -> UseMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    return memory


def noted(view: View, memory: UseMemory, note: Note) -> UseMemory:
    """Called when a person did or said something."""
    return memory
