"""The frame that all decoders of lines and messages share: bytes → frames → what a parser makes of each. The parser never raises."""

from collections.abc import Callable

from analytics.reading import Reading
from ingest.decoder import Rejected
from ingest.formats.lines import Lines, Messages

Parse = Callable[[bytes, int], list[Reading | Rejected]]
"""One whole frame and the time of its receipt → readings and rejections."""


class Framed:
    """A Decoder (see ingest.decoder) made of a way of framing and a parser."""

    __slots__ = ("_frames", "_parse")

    def __init__(self, frames: Lines | Messages, parse: Parse) -> None:
        self._frames, self._parse = frames, parse

    def feed(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        frames = self._frames.feed(data)
        return self._all(frames, received_ms) if frames else []

    def end(self, received_ms: int) -> list[Reading | Rejected]:
        frames = self._frames.end()
        return self._all(frames, received_ms) if frames else []

    def _all(self, frames: list[bytes | Rejected], received_ms: int) -> list[Reading | Rejected]:
        result: list[Reading | Rejected] = []
        for frame in frames:
            if type(frame) is bytes:
                result += self._parse(frame, received_ms)
            else:
                assert type(frame) is Rejected
                result.append(frame)
        return result
