"""The frame that all decoders of lines and messages share: bytes → frames → what a parser makes of each. The parser never raises."""

from collections.abc import Callable

from analytics.reading import Reading
from ingest.decoder import LONGEST_MESSAGE, Rejected
from ingest.formats.lines import Lines, Pack, rejected

Parse = Callable[[bytes, int], list[Reading | Rejected]]
"""One whole frame and the time of its receipt → readings and rejections."""


class Framed:
    """A Decoder (see ingest.decoder) made of a way of framing a stream and a parser of frames."""

    __slots__ = ("_by_line", "_frames", "_parse")

    def __init__(self, frames: Lines | Pack, parse: Parse) -> None:
        self._frames, self._parse = frames, parse
        self._by_line = type(frames) is Lines

    def feed(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        frames = self._frames.feed(data)
        return self._all(frames, received_ms) if frames else []

    def end(self, received_ms: int) -> list[Reading | Rejected]:
        frames = self._frames.end()
        return self._all(frames, received_ms) if frames else []

    def message(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        if len(data) > LONGEST_MESSAGE:
            return [rejected("message too long", data)]
        if not data.strip():
            return []
        if not self._by_line or (b"\n" not in data and b"\r" not in data):
            return self._parse(data, received_ms)
        lines = Lines()
        return self._all(lines.feed(data) + lines.end(), received_ms)

    def _all(self, frames: list[bytes | Rejected], received_ms: int) -> list[Reading | Rejected]:
        result: list[Reading | Rejected] = []
        for frame in frames:
            if type(frame) is bytes:
                result += self._parse(frame, received_ms)
            else:
                assert type(frame) is Rejected
                result.append(frame)
        return result


class FramedJson(Framed):
    """JSON: a stream has one value a line; a message is one value however many lines it has, or one value a line."""

    def message(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        if not data.strip() or len(data) > LONGEST_MESSAGE:
            return super().message(data, received_ms)
        results = self._parse(data, received_ms)
        if len(results) == 1 and type(results[0]) is Rejected and results[0].reason == NOT_JSON and b"\n" in data.strip():
            return super().message(data, received_ms)
        return results


NOT_JSON = "not JSON"
