"""The storage calendar checks and charges done and due."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View


class CareMemory(NamedTuple):
    """What it remembers: numbers, strings, None and tuples of these only, so that it can be kept as JSON."""


def update(view: View, memory: CareMemory) -> CareMemory:
    """Called once per closed span (view.ticked False) and on a tick (True)."""
    return memory


def noted(view: View, memory: CareMemory, note: Note) -> CareMemory:
    """Called when a person did or said something."""
    return memory
