"""One battery while the service runs: its state, how far it is folded, and what must be readable to bring it back.

It folds what it is given and the ticks of the silences between; which inputs come, and in which order, is decided in ingest/folding.py.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple, Protocol

from analytics import keep
from analytics.assessment import AlertEvent, Anchor, Details, Outcome, Untold
from analytics.batch import Checkpoint
from analytics.battery import Battery
from analytics.core import State, step
from analytics.fold import FIRST_TICK_MS, silence
from analytics.reading import Note, Reading
from ingest.reconcile import Told, going_on, overtaken

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


class Step(NamedTuple):
    """One folded input with the state after it."""

    given: Reading | Note
    state: State
    outcome: Outcome
    events: list[Outcome]
    """Outcomes with events, of the input and of the ticks before it."""


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

    def folded(self, inputs: Iterable[Reading | Note]) -> Iterator[Step]:
        """Fold inputs that are in order, with the ticks before each."""
        for given in inputs:
            happened = self.tick_to(given.at_ms)
            self.state, outcome = step(self.state, given)
            if outcome.events:
                happened.append(outcome)
            self.moved(given)
            yield Step(given, self.state, outcome, happened)

    def moved(self, given: Reading | Note) -> None:
        """The state has just been folded up to this input."""
        self.base = self.state
        self.newest = key_of(given)
        if type(given) is Reading:
            self.ticked_ms = given.at_ms
        self.base_ticked_ms = self.ticked_ms

    def tick_to(self, until_ms: int) -> list[Outcome]:
        """Fold the ticks of a silence up to (not with) a time; the outcomes with events."""
        last_ms = self.state.last_ms
        if last_ms is None or (until_ms - self.ticked_ms <= FIRST_TICK_MS and until_ms - last_ms <= FIRST_TICK_MS):
            return []
        happened = []
        for tick in silence(self.state.battery.id, last_ms, until_ms):
            if tick.at_ms > self.ticked_ms:
                self.state, outcome = step(self.state, tick)
                self.ticked_ms = tick.at_ms
                if outcome.events:
                    happened.append(outcome)
                    self.over_ms.update((event.alert_id, event.at_ms) for event in outcome.events if event.kind == "ended")
        return happened

    def otherwise(self, at_ms: int) -> list[AlertEvent]:
        """What was told of alerts and the state, folded up to `at_ms`, does not bear out. With that it is decided."""
        again = going_on(self.ended, self.state, at_ms)
        events = [*overtaken(self.told, self.state, at_ms), *again]
        self.told = {alert_id: alert for alert_id, alert in self.told.items() if alert.began_ms > at_ms}
        for event in again:
            del self.ended[event.alert_id]
        return events

    def checkpoint(self) -> Checkpoint | None:
        """Up to the newest input; None while history holds more than the state does."""
        if self.refold_ms is not None or self.newest[0] < 0:
            return None
        self.since, self.checkpoint_ms = 0, self.newest[0]
        return Checkpoint(self.base.battery.id, self.newest[0], keep.dumps(self.base))


def same_sample(a: Reading, b: Reading) -> bool:
    """Whether two readings, rounded as history keeps them, say the same: then one of them is a repetition."""
    return a[2:6] == b[2:6]


def key_of(given: Reading | Note) -> Key:
    return (given.at_ms, 0, given.sequence) if type(given) is Reading else (given.at_ms, 1, 0)
