"""Simulated time on the wall: a story of days is told in seconds, and ends now.

Readings carry their own time. A story of `days` that is told in `told_s` seconds begins that many days before its end, and its end is the
moment at which the telling ends: so no reading is ever stamped in the future, and the last one is fresh. Afterwards time runs one to one.
"""

import time
from datetime import UTC, datetime

DAY_S = 86400.0


def wall_s() -> float:
    """Seconds since 1970. A simulator stands for the outside world, so it may look at the clock."""
    return time.time()  # noqa: TID251


def rfc3339(at_s: float) -> str:
    """`2026-11-25T14:00:00.000Z`."""
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class Story:
    """Maps the wall's time to the story's, both in seconds since 1970."""

    def __init__(self, days: float, told_s: float, begins_s: float) -> None:
        self.days, self.told_s, self.begins_s = days, max(told_s, 1e-3), begins_s

    @property
    def compression(self) -> float:
        """Seconds of story in a second of wall time."""
        return self.days * DAY_S / self.told_s

    @property
    def from_s(self) -> float:
        """The story's first moment."""
        return self.to_s - self.days * DAY_S

    @property
    def to_s(self) -> float:
        """Its last: the wall's time when the telling is over."""
        return self.begins_s + self.told_s

    def now_s(self, wall: float) -> float:
        """The story's time at this moment of the wall; never later than the wall."""
        if wall >= self.to_s:
            return wall
        return self.from_s + max(0.0, wall - self.begins_s) * self.compression
