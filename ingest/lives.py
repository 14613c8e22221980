"""One battery while the service runs: its state, how far it is folded, and what must be readable to bring it back. No folding here."""

from collections.abc import Iterator, Sequence
from typing import Protocol

from analytics.assessment import Anchor, Details, Untold
from analytics.battery import Battery
from analytics.core import State
from analytics.reading import Note, Reading
from ingest.reconcile import Told

Key = tuple[int, int, int]
"""(time, 0 for a reading or 1 for a note, sequence): the order of the fold."""
NEWEST_OF_TIME = 2


class Kept(Protocol):
    """What folding must be able to read back: part of the loop's store."""

    def battery(self, battery_id: str) -> Battery | None: ...

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None: ...

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]: ...

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]: ...

    def has(self, keys: Sequence[tuple[str, int, int]]) -> set[tuple[str, int, int]]:
        """Which of these (battery, time, sequence) history has."""

    def alerts(self, battery_id: str | None = None, *, active: bool | None = None, limit: int = 100) -> Sequence[Told]:
        """Alerts that were told, the newest first; `active`: those that have not ended."""


class Live:
    """One battery now."""

    __slots__ = (
        "anchor",
        "base",
        "base_ticked_ms",
        "checkpoint_ms",
        "details",
        "ended",
        "heard_ms",
        "lag_ms",
        "last",
        "newest",
        "over_ms",
        "refold_ms",
        "since",
        "state",
        "ticked_ms",
        "told",
    )

    def __init__(self, state: State, newest: Key, ticked_ms: int, checkpoint_ms: int) -> None:
        self.state = state
        """After the newest input and the ticks of the silence since."""
        self.base = state
        """After the newest reading or note: what a checkpoint keeps."""
        self.newest = newest
        self.ticked_ms = self.base_ticked_ms = ticked_ms
        """Time up to which ticks are folded into `state` (and into `base`)."""
        self.checkpoint_ms = checkpoint_ms
        self.since = 0
        """Readings since the last checkpoint."""
        self.refold_ms: int | None = None
        """The earliest late input that is in history but not yet in the state."""
        self.heard_ms: int | None = None
        """When its newest reading came, monotonic; None: none has since the start."""
        self.ended: dict[str, int] = {}
        """Alerts that go on in the state and whose end was told, and when it was: ticks of a silence ended them, and readings of it came since."""
        self.over_ms: dict[str, int] = {}
        """When ticks of the last silence ended alerts."""
        self.told: dict[str, Told] = {}
        """Alerts that somebody may have heard of and that are not in the state: ticks of a silence began them, and readings of it came since."""
        self.details: Details | Untold | None = None
        self.anchor: Anchor | None = None
        """What was last put among a batch's news; None: nothing was since the start, so the next assessment is."""
        self.last: Reading | None = None
        """The newest reading, if it came since the start: another one of the same time that says something else is another sensor's."""
        self.lag_ms = 0
        """How old that reading was when it came: while a backlog comes in, time must not run ahead of it."""

    def goes_on(self, before: "Live") -> None:
        """In place of another life of the same battery: what was heard of it was heard."""
        self.heard_ms, self.lag_ms, self.last = before.heard_ms, before.lag_ms, before.last


def same_sample(a: Reading, b: Reading) -> bool:
    """Whether two readings, rounded as history keeps them, say the same: then one of them is a repetition."""
    return a[2:6] == b[2:6]


def key_of(given: Reading | Note) -> Key:
    return (given.at_ms, 0, given.sequence) if type(given) is Reading else (given.at_ms, 1, 0)
