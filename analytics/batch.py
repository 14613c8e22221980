"""What one commit keeps, all or nothing: the words in which the loop (ingest) and the store (api) speak without knowing each other."""

from dataclasses import dataclass, field
from typing import NamedTuple

from analytics.assessment import AlertEvent, Assessment
from analytics.reading import Note, Reading


class DeadLetter(NamedTuple):
    """Bytes that could not become a reading, kept so that nothing is lost and a person can look."""

    at_ms: int
    """When they came."""
    source: str
    """Which source and topic or port."""
    reason: str
    raw: bytes
    """Cut to 4096 bytes."""


class Quarantined(NamedTuple):
    """A reading whose time cannot be believed yet: kept apart, released once its time has come or is known."""

    reading: Reading
    received_ms: int
    reason: str
    """`future` | `no clock`"""


class Checkpoint(NamedTuple):
    """A battery's state (analytics.keep) after all readings up to and with `at_ms`."""

    battery_id: str
    at_ms: int
    state: bytes


@dataclass(slots=True)
class Batch:
    """Filled by the loop, committed by the store in one transaction; only then are the deliveries acknowledged."""

    kept: list[tuple[Reading, Assessment]] = field(default_factory=list)
    """In the order of folding; a (battery, time, sequence) that history already has is left as it was."""
    refolded: list[tuple[Reading, Assessment]] = field(default_factory=list)
    """Readings that history has, with a new assessment: late readings came in before them."""
    events: list[AlertEvent] = field(default_factory=list)
    """An event that the ledger already has (alert_id, kind, at_ms) is left as it was."""
    late_events: list[AlertEvent] = field(default_factory=list)
    """Events of a backlog, found out of their time: recorded, and told in one summary instead of one by one."""
    notes: list[Note] = field(default_factory=list)
    checkpoints: list[Checkpoint] = field(default_factory=list)
    """The last of a battery is its newest from now on, even if an earlier commit kept a later one: late readings made that one untrue."""
    latest: dict[str, Assessment] = field(default_factory=dict)
    """The newest assessment of each battery, for whoever watches."""
    news: dict[str, Assessment] = field(default_factory=dict)
    """The newest of each battery that says something which the reading kept with it does not: new details, a new anchor, time that went by
    without a reading. Of most readings there is none."""
    dead_letters: list[DeadLetter] = field(default_factory=list)
    quarantined: list[Quarantined] = field(default_factory=list)
    released: list[Reading] = field(default_factory=list)
    """Readings to take out of quarantine, because they are in `kept` now."""

    def empty(self) -> bool:
        return not (
            self.kept or self.refolded or self.events or self.late_events or self.notes or self.checkpoints
            or self.latest or self.news or self.dead_letters or self.quarantined or self.released
        )  # fmt: skip
