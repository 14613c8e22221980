"""A recorded file of any format, read in pieces from its beginning to its end. It ends; nothing is followed."""

import asyncio
from collections.abc import AsyncGenerator, Sequence
from pathlib import Path
from typing import IO, Literal

from pydantic import BaseModel, ConfigDict

from ingest.clock import Clock
from ingest.source import Delivery, SourceLost

PIECE = 65_536


class FileSettings(BaseModel):
    """One recorded file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["file"] = "file"
    path: Path
    format: str
    battery: str | None = None


class FileSource:
    """One file as a Source. Opened again, it is read again: what is known already changes nothing."""

    in_flight: int | None = None

    def __init__(self, settings: FileSettings, clock: Clock) -> None:
        self.name = f"file:{settings.path}"
        self._settings, self._clock = settings, clock
        self._file: IO[bytes] | None = None
        self.given = 0
        """Bytes of the file handed on so far."""

    async def __aenter__(self) -> "FileSource":
        try:
            self._file = await asyncio.to_thread(self._settings.path.open, "rb")
        except OSError as e:
            raise SourceLost(f"the file {self._settings.path} cannot be read: {e.strerror}") from e
        return self

    async def __aexit__(self, *exc: object) -> None:
        if self._file is not None:
            self._file.close()

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        assert self._file is not None
        opened = True
        while data := await asyncio.to_thread(self._file.read, PIECE):
            yield [self._delivery(data, opened=opened)]
            self.given += len(data)
            opened = False
        yield [self._delivery(b"", ended=True)]

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """A file keeps itself."""

    def _delivery(self, data: bytes, *, opened: bool = False, ended: bool = False) -> Delivery:
        s, clock = self._settings, self._clock
        return Delivery(
            self.name, s.battery, s.format, data, clock.wall_ms(), clock.monotonic_ms(), whole=False, opened=opened, ended=ended
        )
