"""A sender whose clock is wrong by months or years and stays so: its readings are dated by when they come. No I/O; the time is handed in.

Such a clock gives itself away by its pace: readings come live, one after the other, and their stamps go on as fast as our own clock, only
years away. What was stored and is sent later comes in bursts, faster than it was taken, and keeps its own time. A clock that jumps back and
comes right within minutes is not found, nor one that is off by less than `far_ms`: such readings are late, or wait until their time has come.
"""

from dataclasses import dataclass
from typing import NamedTuple

from analytics.reading import Reading
from analytics.sensors import WrongClock

LIVE_MS = 600_000
LIVE_READINGS = 3
"""Judgement: nothing that was stored is sent as slowly as it was taken for ten minutes, and a sensor that speaks hourly is found in two hours."""
UNSEEN_MS = 86_400_000
"""A clock that is ahead may be right and ours behind, unless it was seen to jump. Judgement: a time service sets ours within a day."""
BUNDLE_MS = 3_600_000
"""Judgement: who saves power sends the readings of an hour at once."""
PACE_OFF = 0.1
"""Judgement: a backlog that is sent but a tenth faster than it was taken would never be through."""
MOST_PACES = 10_000


class Found(NamedTuple):
    """What a reading told of its sender's clock."""

    off_ms: int | None
    """What has to be added to its stamps, milliseconds; None: it is right again."""


@dataclass(slots=True)
class Pace:
    """Readings of one sender that lie far from now: how they come."""

    first_ms: int
    first_monotonic_ms: int
    last_ms: int
    readings: int
    off_ms: int
    """Smallest (arrival - stamp): a delay can only make it larger."""


class WrongClocks:
    """Which sender's clock is wrong and by how much; one of each battery, the last found."""

    def __init__(self, far_ms: int, ahead_ms: int) -> None:
        self._far_ms, self._ahead_ms = far_ms, ahead_ms
        self._paces: dict[tuple[str, str], Pace] = {}
        self.known: dict[str, WrongClock] = {}

    def learn(self, battery_id: str, clock: WrongClock | None) -> None:
        """What the state of a battery says, which has it from the notes."""
        if clock is None:
            self.known.pop(battery_id, None)
        else:
            self.known[battery_id] = clock

    def judge(
        self, reading: Reading, source: str, then_ms: int, monotonic_ms: int, oldest_ms: int, *, seen: bool
    ) -> tuple[Reading, Found | None]:
        """The reading, dated by its arrival if its sender's clock is wrong, and what is new of that clock.

        `then_ms`, `monotonic_ms`: when it came; what is older than `oldest_ms` cannot be of now; `seen`: its clock was right since ours last stepped.
        """
        at_ms, clock = reading.at_ms, self.known.get(reading.battery_id)
        right = oldest_ms <= at_ms <= then_ms + self._ahead_ms
        if clock is not None and clock.who == source:
            if right and at_ms > clock.since_ms:
                return reading, Found(None)
            if not right and clock.since_ms <= at_ms + clock.off_ms <= then_ms + self._ahead_ms:
                return reading._replace(at_ms=at_ms + clock.off_ms), None
        if right:
            self._paces.pop((reading.battery_id, source), None)
        elif at_ms < oldest_ms or at_ms > then_ms + self._far_ms:
            off_ms = self._paced(reading, source, then_ms, monotonic_ms, LIVE_MS if seen or at_ms < then_ms else UNSEEN_MS)
            if off_ms is not None:
                return reading._replace(at_ms=at_ms + off_ms), Found(off_ms)
        return reading, None

    def dated(self, reading: Reading, received_ms: int) -> Reading | None:
        """A reading that was set apart, dated anew if the clock that is known now to be wrong has dated it."""
        clock = self.known.get(reading.battery_id)
        if clock is None:
            return None
        at_ms = reading.at_ms + clock.off_ms
        return reading._replace(at_ms=at_ms) if received_ms - self._far_ms <= at_ms <= received_ms + self._ahead_ms else None

    def _paced(self, reading: Reading, source: str, then_ms: int, monotonic_ms: int, live_ms: int) -> int | None:
        """What has to be added to the stamps, once they have gone on at the pace of their arrival for long enough."""
        key, at_ms = (reading.battery_id, source), reading.at_ms
        pace = self._paces.get(key)
        came_ms = 0 if pace is None else monotonic_ms - pace.first_monotonic_ms
        if pace is None or abs(at_ms - pace.first_ms - came_ms) > BUNDLE_MS:
            if pace is None and len(self._paces) >= MOST_PACES:
                del self._paces[next(iter(self._paces))]
            self._paces[key] = Pace(at_ms, monotonic_ms, at_ms, 1, then_ms - at_ms)
            return None
        pace.readings += at_ms > pace.last_ms
        pace.last_ms, pace.off_ms = max(pace.last_ms, at_ms), min(pace.off_ms, then_ms - at_ms)
        if pace.readings < LIVE_READINGS or came_ms < live_ms or abs(at_ms - pace.first_ms - came_ms) > PACE_OFF * came_ms:
            return None
        return self._paces.pop(key).off_ms
