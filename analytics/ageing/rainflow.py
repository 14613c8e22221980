"""Rainflow counting as a stream (ASTM E1049-85, 5.4.4): push values one by one, ask at any time, and get what a batch would give.

Pure counting: it knows nothing of batteries. A cycle already counted is never counted again, whatever is kept and loaded in between.
"""

import itertools
from typing import NamedTuple


class Reversals(NamedTuple):
    """What is left to be matched: confirmed turning points, oldest first, and the extreme that is still moving."""

    points: tuple[float, ...] = ()
    extreme: float | None = None


Cycle = tuple[float, float]
"""(range, count): count is 1 for a closed cycle and 0.5 for a half."""


def push(state: Reversals, value: float, least: float = 0.0) -> tuple[Reversals, tuple[Cycle, ...]]:
    """The state after one more value and the cycles that it closed. Turns smaller than `least` are noise."""
    points, extreme = state
    if not points:
        return Reversals((value,)), ()
    if extreme is None:
        return (state, ()) if abs(value - points[-1]) <= least or value == points[-1] else (Reversals(points, value), ())
    rising = extreme > points[-1]
    if (value > extreme) if rising else (value < extreme):
        return Reversals(points, value), ()
    if abs(value - extreme) <= least:
        return state, ()
    points, cycles = _closed((*points, extreme))
    return Reversals(points, value), cycles


def counted(state: Reversals) -> tuple[Cycle, ...]:
    """What remains when counting stops now: the open extreme is the last turn, and everything unmatched is half a cycle."""
    points = state.points
    cycles: tuple[Cycle, ...] = ()
    if state.extreme is not None:
        points, cycles = _closed((*points, state.extreme))
    return cycles + tuple((abs(b - a), 0.5) for a, b in itertools.pairwise(points))


def _closed(points: tuple[float, ...]) -> tuple[tuple[float, ...], tuple[Cycle, ...]]:
    """Match the newest ranges: three points at a time, as the standard does."""
    cycles: list[Cycle] = []
    left = list(points)
    while len(left) >= 3:
        newest, before = abs(left[-1] - left[-2]), abs(left[-2] - left[-3])
        if newest < before:
            break
        if len(left) == 3:
            cycles.append((before, 0.5))
            del left[0]
        else:
            cycles.append((before, 1.0))
            del left[-3:-1]
    return tuple(left), tuple(cycles)
