"""The port every sensor format fulfils: bytes in, readings or counted rejections out. No I/O, no clock, never an exception."""

from typing import NamedTuple, Protocol

from analytics.reading import Reading

LONGEST_FRAME = 65_536
"""Bytes that may wait for their end; a longer frame is rejected and skipped. Judgement: a hundred times the longest honest line."""


LONGEST_MESSAGE = 1_048_576
"""Bytes of one whole message, which may hold many readings. Judgement: a week of minutes as JSON."""


class Rejected(NamedTuple):
    """Bytes that are no reading, and why. `raw` is cut to 4096 bytes."""

    reason: str
    raw: bytes


class Decoder(Protocol):
    """One stream of bytes of one sensor (or one topic). Any way of cutting the stream gives the same result."""

    def feed(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        """What the bytes complete. `received_ms` dates readings that carry no time of their own."""

    def message(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        """What one whole message holds, whatever the stream before it was."""

    def end(self, received_ms: int) -> list[Reading | Rejected]:
        """What the bytes so far complete if no more come: a file ended."""
