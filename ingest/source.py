"""What a source gives to the loop: deliveries, to be acknowledged once they are on disk."""

from collections.abc import AsyncGenerator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from analytics.reading import Note, Reading


@dataclass(slots=True)
class Receipt:
    """What became of one delivery. Where a delivery's token is one, the loop fills it in before it acknowledges."""

    kept: int = 0
    duplicates: int = 0
    quarantined: int = 0
    rejected: list[str] = field(default_factory=list)
    """Reasons, one for each piece that was no reading."""


class Delivery(NamedTuple):
    """Bytes as they came. `whole` deliveries are one message; others are a piece of a stream."""

    source: str
    """The source's name and the port, topic or file: `serial:/dev/…`, `mqtt:readings/van7`."""
    battery_id: str | None
    """Which battery the source says this is; None: the payload must tell."""
    format: str
    """Which entry of the settings' formats decodes it."""
    payload: bytes
    received_ms: int
    monotonic_ms: int
    """The receiver's monotonic clock: never jumps, so hold-timers and re-basing can rely on it."""
    whole: bool = True
    retained: bool = False
    """Replayed by the broker, not fresh: never a reading."""
    token: object = None
    """What the source needs to acknowledge it."""
    given: tuple[Reading | Note, ...] = ()
    """Inputs that need no decoding: what the API was told by a person."""
    opened: bool = False
    """The first piece after a stream was opened: what the stream before left unfinished is cut off, never joined to it."""
    ended: bool = False
    """The last piece of a stream that came to its end: what it left unfinished is complete."""


class SourceLost(Exception):  # noqa: N818 - named for what happened
    """The link is gone or never came about; its text says it in a sentence. The supervisor opens it again."""


class Source(Protocol):
    """Opened with `async with`; a lost link raises out of `deliveries` and the supervisor opens it again."""

    name: str

    async def __aenter__(self) -> "Source": ...

    async def __aexit__(self, *exc: object) -> None: ...

    def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        """Batches as they come, never empty."""

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """They are on disk (or dead letters are): the sender may forget them."""
