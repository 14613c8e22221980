"""How far a relay has got with one battery: what is new, what is backlog, and how many readings of each day have arrived.

Pure arithmetic on times; no database, no network. Newest first: a battery that is far behind is cut, what is recent goes at once, and the
stretch before it waits as backlog, oldest first. Days are counted so that a reading that came in late, behind the cursor, is found: the
day then holds more readings than were acknowledged, and goes again as a whole. The receiver keeps a (battery, time, sequence) once.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from analytics.reading import Reading

RECENT_MS = 600_000
"""Judgement: ten minutes let a rule of five minutes judge at once; the rest of the story follows."""
DAY_MS = 86_400_000
DAYS_KEPT = 60
"""Judgement: readings later than two months are not looked for any more."""


class Stretch(NamedTuple):
    """Readings that go in one message, and the time [from_ms, to_ms) that is done with once they are acknowledged."""

    battery_id: str
    from_ms: int
    to_ms: int
    readings: tuple[Reading, ...]


@dataclass(slots=True)
class Cursor:
    """Everything before `new_ms` and outside the gaps has been acknowledged."""

    new_ms: int = 0
    gaps: list[tuple[int, int]] = field(default_factory=list)
    """Backlog, oldest first, disjoint: [from, to)."""
    days: dict[int, int] = field(default_factory=dict)
    """Day since 1970 → readings acknowledged."""

    def copy(self) -> "Cursor":
        return Cursor(self.new_ms, list(self.gaps), dict(self.days))

    def cut(self, last_ms: int) -> None:
        """With the newest reading far ahead, put the stretch before it aside."""
        if last_ms - self.new_ms > 2 * RECENT_MS:
            edge = last_ms - RECENT_MS
            self.gaps.append((self.new_ms, edge))
            self.new_ms = edge

    def take(self, stretch: Stretch) -> None:
        """The stretch is on its way: it is neither new nor backlog. Readings are counted by `arrived`."""
        if stretch.from_ms == self.new_ms:
            self.new_ms = stretch.to_ms
            return
        for i, (a, b) in enumerate(self.gaps):
            if a == stretch.from_ms:
                self.gaps[i : i + 1] = [(stretch.to_ms, b)] if stretch.to_ms < b else []
                return

    def arrived(self, stretch: Stretch) -> None:
        """The stretch was acknowledged."""
        for reading in stretch.readings:
            day = reading.at_ms // DAY_MS
            self.days[day] = self.days.get(day, 0) + 1
        for day in [day for day in self.days if day < self._first_day]:
            del self.days[day]

    @property
    def _first_day(self) -> int:
        return max(0, self.new_ms // DAY_MS - DAYS_KEPT)

    def settled_days(self) -> Iterator[tuple[int, int, int]]:
        """(day, from_ms, to_ms) of the last days that no gap touches, up to what is new: their counts can be compared."""
        for day in range(self._first_day, self.new_ms // DAY_MS + 1):
            from_ms, to_ms = day * DAY_MS, min((day + 1) * DAY_MS, self.new_ms)
            if from_ms < to_ms and not any(a < to_ms and from_ms < b for a, b in self.gaps):
                yield day, from_ms, to_ms

    def again(self, from_ms: int, to_ms: int) -> None:
        """A day had more readings than were acknowledged: it goes again."""
        self.days[from_ms // DAY_MS] = 0
        self.gaps.append((from_ms, to_ms))
        self.gaps.sort()

    def dump(self) -> dict[str, Any]:
        return {"new_ms": self.new_ms, "gaps": self.gaps, "days": {str(day): n for day, n in self.days.items()}}

    @classmethod
    def load(cls, kept: dict[str, Any]) -> "Cursor":
        return cls(kept["new_ms"], [(a, b) for a, b in kept["gaps"]], {int(day): n for day, n in kept["days"].items()})


def stretches_of(battery_id: str, from_ms: int, to_ms: int | None, readings: Iterator[Reading], most: int) -> Iterator[Stretch]:
    """The next messages: each at most about `most` readings, from `from_ms` on, never cut within one millisecond.

    `to_ms` None means up to the newest. A gap that holds nothing more gives an empty stretch, which closes it.
    """
    taken: list[Reading] = []
    for reading in readings:
        if len(taken) >= most and reading.at_ms != taken[-1].at_ms:
            yield Stretch(battery_id, from_ms, taken[-1].at_ms + 1, tuple(taken))
            from_ms, taken = taken[-1].at_ms + 1, []
        taken.append(reading)
    if to_ms is not None:
        yield Stretch(battery_id, from_ms, to_ms, tuple(taken))
    elif taken:
        yield Stretch(battery_id, from_ms, taken[-1].at_ms + 1, tuple(taken))
