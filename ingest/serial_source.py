"""A serial line: whatever waits is read and handed on in pieces; finding lines in it is the decoder's.

Exclusive; reads never block; a device that vanishes raises SourceLost. The first piece of a line after opening is dropped up
to its line end, because half a number can pass for a whole one.
"""

import asyncio
from collections.abc import AsyncGenerator, Sequence
from contextlib import suppress
from typing import Literal

import serial
from pydantic import BaseModel, ConfigDict, Field

from ingest.clock import Clock
from ingest.source import Delivery, SourceLost
from ingest.waiting import Waiting

MOST_AT_ONCE = 65_536
MOST_WAITING = 4 * 1024 * 1024
"""Bytes that wait in memory while the store takes nothing: a line of 115,200 baud for six minutes. Then the device has to wait."""


class SerialSettings(BaseModel):
    """One serial line."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["serial"] = "serial"
    port: str
    """A stable path, such as one under /dev/serial/by-id/: /dev/ttyUSB0 may be another device tomorrow."""
    format: str
    battery: str | None = None
    baud: int = Field(default=19_200, ge=50, le=4_000_000)
    byte_size: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    skip_first_line: bool = True
    quiet_after_s: float = Field(default=60.0, gt=0)


class SerialSource:
    """One serial line as a Source."""

    in_flight: int | None = None

    def __init__(self, settings: SerialSettings, clock: Clock) -> None:
        self.name = f"serial:{settings.port}"
        self._settings, self._clock = settings, clock
        self._line: serial.Serial | None = None
        self._waiting = Waiting()
        self._bytes = 0
        self._paused = False
        self._skipping = False
        self._opened = False

    async def __aenter__(self) -> "SerialSource":
        s = self._settings
        try:
            self._line = await asyncio.to_thread(
                serial.Serial, s.port, s.baud, s.byte_size, s.parity[0].upper(), s.stop_bits, timeout=0, exclusive=True
            )
        except (OSError, ValueError) as e:  # SerialException is an OSError
            raise SourceLost(f"the serial line {s.port} cannot be opened: {e}") from e
        self._skipping, self._opened = s.skip_first_line, True
        self._waiting, self._bytes, self._paused = Waiting(), 0, False
        asyncio.get_running_loop().add_reader(self._line.fileno(), self._readable)
        return self

    async def __aexit__(self, *exc: object) -> None:
        line, self._line = self._line, None
        if line is not None:
            asyncio.get_running_loop().remove_reader(line.fileno())
            with suppress(OSError):  # a device that vanished need not be closed
                line.close()

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        while True:
            pieces = await self._waiting.taken()
            self._bytes = 0
            if self._paused and self._line is not None:
                self._paused = False
                asyncio.get_running_loop().add_reader(self._line.fileno(), self._readable)
            yield pieces

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """A serial line cannot send again: there is nobody to tell."""

    def _readable(self) -> None:
        assert self._line is not None
        loop = asyncio.get_running_loop()
        try:
            data = self._line.read(MOST_AT_ONCE)
        except (OSError, TypeError) as e:  # pyserial raises TypeError where the device went away while it was read
            loop.remove_reader(self._line.fileno())
            self._waiting.lose(f"the serial line {self._settings.port} is gone: {e}")
            return
        if self._skipping:
            ends = [i for i in (data.find(b"\n"), data.find(b"\r")) if i >= 0]
            if not ends:
                return
            self._skipping, data = False, data[min(ends) :]
        if not data:
            return
        s, opened = self._settings, self._opened
        self._opened = False
        self._waiting.put(
            Delivery(self.name, s.battery, s.format, data, self._clock.wall_ms(), self._clock.monotonic_ms(), whole=False, opened=opened)
        )
        self._bytes += len(data)
        if self._bytes >= MOST_WAITING:
            self._paused = True
            loop.remove_reader(self._line.fileno())
