"""The Modbus source against a meter of our own on a real pseudo-terminal, which knows the frames of the published guide."""

import asyncio
import os
import struct
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.backoff import Backoff
from ingest.formats.modbus_registers import ModbusRegisters
from ingest.modbus_source import ModbusSettings, ModbusSource
from ingest.pipeline import Pipeline
from ingest.source import SourceLost
from ingest.supervisor import Supervised
from tests.fakes.clock import RealClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import VAN, decoder_of, until
from tests.outside import ROWS

pytestmark = pytest.mark.anyio

MAP = {
    "voltage": {"field": 0, "scale": 0.01},
    "current": {"field": 1, "kind": "int16", "scale": 0.1},
    "charge": {"field": 8, "kind": "int32", "unit": "mAh"},
}
WORDS = [1262, 0xFFDE, 0, 0, 0, 0, 0, 0, 0xFFFF, 0xFA24]
"""12.62 V, −3.4 A, and −1500 mAh in two words."""


def crc(frame: bytes) -> bytes:
    """CRC-16 of Modbus over serial line, bit by bit as its guide describes: polynomial A001 hex, low byte first."""
    register = 0xFFFF
    for byte in frame:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ (0xA001 if register & 1 else 0)
    return register.to_bytes(2, "little")


class Meter:
    """Answers every request with the same words; can be told to be silent, to refuse, or to be disturbed."""

    def __init__(self, folder: Path) -> None:
        self._master, slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self.path = folder / "by-id-meter"
        self.path.symlink_to(os.ttyname(slave))
        self._slave = slave
        self.requests: list[bytes] = []
        self.mood = "good"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        waiting = b""
        while True:
            try:
                waiting += os.read(self._master, 256)
            except OSError:
                return
            while len(waiting) >= 8:
                request, waiting = waiting[:8], waiting[8:]
                self.requests.append(request)
                reply = self._reply(request)
                if reply:
                    os.write(self._master, reply)

    def _reply(self, request: bytes) -> bytes:
        if self.mood == "silent":
            return b""
        if self.mood == "refusing":
            return bytes([request[0], request[1] | 0x80, 2]) + crc(bytes([request[0], request[1] | 0x80, 2]))
        first, count = struct.unpack(">HH", request[2:6])
        words = WORDS[first : first + count]
        body = bytes([request[0], request[1], 2 * count]) + struct.pack(f">{count}H", *words)
        good = body + crc(body)
        return good if self.mood == "good" else good[:5] + b"\xaa" + good[6:]

    def close(self) -> None:
        os.close(self._master)
        os.close(self._slave)


@pytest.fixture
def meter(tmp_path: Path) -> Iterator[Meter]:
    made = Meter(tmp_path)
    yield made
    made.close()


def source_of(meter: Meter, **more: object) -> ModbusSource:
    settings = ModbusSettings.model_validate(
        {"port": str(meter.path), "format": "meter", "battery": "van7", "every_s": 0.1, "timeout_s": 0.2, **more}
    )
    return ModbusSource(settings, ModbusRegisters.model_validate(MAP), RealClock())


def test_the_meter_of_this_test_makes_the_published_checksum() -> None:
    """123456789 → 4B37 hex, and the worked frames of the guide."""
    assert crc(b"123456789") == int(ROWS["MB-CRC"]["value"], 16).to_bytes(2, "little")
    assert crc(bytes.fromhex("01 83 02")) == bytes.fromhex(ROWS["MB-EXC"]["value"])


async def test_the_request_on_the_wire_is_the_published_one_and_the_reply_a_reading(meter: Meter) -> None:
    """Ten holding registers from 0 of unit 1 are asked for with the very frame of the guide; the words become volts, amperes and ampere-hours."""
    clock, store = RealClock(), MemoryStore(VAN)
    pipeline = Pipeline(store, {"meter": decoder_of("modbus", **MAP)}, clock)
    source = Supervised(source_of(meter), clock, backoff=Backoff(0.05, 0.2))
    task = asyncio.create_task(pipeline.run([source]))
    await until(lambda: len(store.history) >= 2)
    assert meter.requests[0] == bytes.fromhex("01 03 00 00 00 0A" + ROWS["MB-FRAME1"]["value"])
    for mood, said in (("silent", "does not answer"), ("refusing", "refuses registers 0 to 9"), ("disturbed", "does not answer")):
        meter.mood = mood
        await until(lambda: said in source.state.last_error)  # noqa: B023
        before = len(store.history)
        meter.mood = "good"
        await until(lambda: len(store.history) > before)  # noqa: B023
    pipeline.stop()
    await task
    readings = [r for r, _ in store.history.values()]
    assert {(r.voltage_v, r.current_a, r.charge_ah) for r in readings} == {(12.62, -3.4, -1.5)}


async def test_a_missing_line_is_said(tmp_path: Path) -> None:
    """The path stands in the message."""
    settings = ModbusSettings(port=str(tmp_path / "nowhere"), format="meter", battery="van7")
    with pytest.raises(SourceLost, match=r"nowhere cannot be opened"):
        async with ModbusSource(settings, ModbusRegisters.model_validate(MAP), RealClock()):
            pass


def test_registers_too_far_apart_are_refused(meter: Meter) -> None:
    """More than one request can carry is a mistake in the map, said with the numbers."""
    settings = ModbusSettings(port=str(meter.path), format="meter", battery="van7")
    far = ModbusRegisters.model_validate({"voltage": {"field": 0}, "current": {"field": 200}})
    with pytest.raises(ValueError, match="span 201 words, expected at most 125"):
        ModbusSource(settings, far, RealClock())
