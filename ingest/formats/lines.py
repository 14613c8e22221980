"""A stream of bytes → lines, in bounded memory. Where the stream is cut does not matter."""

from ingest.decoder import LONGEST_FRAME, Rejected

LONGEST_RAW = 4096


def rejected(reason: str, raw: bytes) -> Rejected:
    return Rejected(reason, raw[:LONGEST_RAW])


class Lines:
    """Splits at CR, LF or both; empty lines are nothing. A line beyond LONGEST_FRAME is rejected once and skipped to its end."""

    __slots__ = ("_skipping", "_waiting")

    def __init__(self) -> None:
        self._waiting = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | Rejected]:
        if b"\r" in data:
            data = data.replace(b"\r", b"\n")
        if b"\n" not in data:
            return self._wait(data)
        first, *others = data.split(b"\n")
        last = others.pop()
        result: list[bytes | Rejected] = []
        if not self._skipping:
            result += self._checked(self._waiting + first)
        self._skipping, self._waiting = False, b""
        for line in others:
            result += self._checked(line)
        return result + self._wait(last)

    def end(self) -> list[bytes | Rejected]:
        """The last line, which no line end followed."""
        line, skipping = self._waiting, self._skipping
        self._waiting, self._skipping = b"", False
        return [] if skipping or not line else [line]

    def _wait(self, piece: bytes) -> list[bytes | Rejected]:
        if self._skipping:
            return []
        self._waiting += piece
        if len(self._waiting) <= LONGEST_FRAME:
            return []
        too_long = self._checked(self._waiting)
        self._waiting, self._skipping = b"", True
        return too_long

    @staticmethod
    def _checked(line: bytes) -> list[bytes | Rejected]:
        if len(line) > LONGEST_FRAME:
            return [rejected("line too long", line)]
        return [line] if line else []


class Pack:
    """Bytes up to the end of their stream, whatever they are; beyond LONGEST_FRAME rejected and skipped."""

    __slots__ = ("_skipping", "_waiting")

    def __init__(self) -> None:
        self._waiting = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | Rejected]:
        if self._skipping:
            return []
        self._waiting += data
        if len(self._waiting) <= LONGEST_FRAME:
            return []
        raw, self._waiting, self._skipping = self._waiting, b"", True
        return [rejected("message too long", raw)]

    def end(self) -> list[bytes | Rejected]:
        message, skipping = self._waiting, self._skipping
        self._waiting, self._skipping = b"", False
        return [] if skipping or not message else [message]
