"""The serial source on a real pseudo-terminal: pieces in any cut, noise, unplugging and return, exclusive use, a line that says nothing."""

import asyncio
import os
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import structlog
from pydantic import ValidationError

from ingest.backoff import Backoff
from ingest.file_source import FileSettings, FileSource
from ingest.serial_source import SerialSettings, SerialSource
from ingest.source import SourceLost
from ingest.supervisor import Supervised
from tests.fakes.clock import HandClock, RealClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import VAN, running, until

pytestmark = pytest.mark.anyio


class Cable:
    """A pseudo-terminal under a stable path, as a device under /dev/serial/by-id has; it can be unplugged and plugged in again."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "by-id-shunt"
        self._master: int | None = None
        self.plug()

    def plug(self) -> None:
        self._master, slave = os.openpty()
        tty.setraw(self._master)
        tty.setraw(slave)
        self.path.symlink_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self) -> None:
        if self._master is not None:
            self.path.unlink()
            os.close(self._master)
            self._master = None

    def say(self, data: bytes) -> None:
        assert self._master is not None
        os.write(self._master, data)


@pytest.fixture
def cable(tmp_path: Path) -> Iterator[Cable]:
    made = Cable(tmp_path)
    yield made
    made.unplug()


def source_of(cable: Cable, clock: RealClock, **more: Any) -> Supervised:
    settings = SerialSettings(port=str(cable.path), format="lines", battery="van7", **more)
    return Supervised(SerialSource(settings, clock), clock, backoff=Backoff(0.05, 0.2))


async def test_lines_are_readings_however_they_are_cut(cable: Cable) -> None:
    """The piece of a line that was joined in the middle is dropped; what follows is read, whatever the pieces."""
    clock, store = RealClock(), MemoryStore(VAN)
    source = source_of(cable, clock)
    async with running(store, clock, source):
        await until(lambda: source.state.up)
        for piece in (b".62,-3,1", b"8\r\n12.", b"61,-1,18\r", b"\n12.60,-2,18\r\n12.5"):
            cable.say(piece)
            await asyncio.sleep(0.05)
        await until(lambda: len(store.history) == 2)
        assert sorted(r.voltage_v for r, _ in store.history.values()) == [12.60, 12.61]
        assert source.state.last_valid_ms is not None


async def test_noise_and_an_endless_line_cost_only_themselves(cable: Cable) -> None:
    """Binary noise and a line of ten megabytes are rejections; the next good line is kept."""
    clock, store = RealClock(), MemoryStore(VAN)
    source = source_of(cable, clock)
    async with running(store, clock, source) as pipeline:
        await until(lambda: source.state.up)
        cable.say(b"\n\xfe\xff\x00\x81garbage\n12.61,-1,18\n")
        await until(lambda: len(store.history) == 1)

        def endless() -> None:
            for _ in range(2560):
                cable.say(b"7" * 4096)
            cable.say(b"\n12.59,-1,18\n")

        await asyncio.to_thread(endless)
        await until(lambda: len(store.history) == 2)
        assert pipeline.counters.rejected == {"not text": 1, "line too long": 1}


async def test_an_unplugged_device_comes_back_without_a_restart(cable: Cable) -> None:
    """Unplugged in the middle of a line and plugged in again: said, opened again, and the halves are not joined."""
    clock, store = RealClock(), MemoryStore(VAN)
    source = source_of(cable, clock)
    async with running(store, clock, source) as pipeline:
        await until(lambda: source.state.up)
        for round_ in range(3):
            cable.say(b"\n12.61,-1,18\n12.6")
            await until(lambda: len(store.history) == 2 * round_ + 1)  # noqa: B023
            cable.unplug()
            await until(lambda: not source.state.up)
            assert "is gone" in source.state.last_error or "cannot be opened" in source.state.last_error
            await until(lambda: source.state.tries >= 2)
            cable.plug()
            await until(lambda: source.state.up)
            cable.say(b"2,-1,18\n12.60,-2,18\n")
            await until(lambda: len(store.history) == 2 * round_ + 2)  # noqa: B023
        assert source.state.losses == 3
        assert pipeline.counters.rejected == {"cut off": 3}
    assert {r.voltage_v for r, _ in store.history.values()} == {12.61, 12.60}


async def test_a_line_is_used_by_one_program_only(cable: Cable) -> None:
    """A second opening of the same line is refused in words, instead of each getting half of the bytes."""
    clock = RealClock()
    settings = SerialSettings(port=str(cable.path), format="lines")
    async with SerialSource(settings, clock):
        with pytest.raises(SourceLost, match="cannot be opened"):
            async with SerialSource(settings, clock):
                pass


async def test_a_missing_device_is_said(tmp_path: Path) -> None:
    """The path and the reason stand in the message."""
    with pytest.raises(SourceLost, match="nowhere"):
        async with SerialSource(SerialSettings(port=str(tmp_path / "nowhere"), format="lines"), RealClock()):
            pass


async def test_a_line_without_a_valid_reading_is_said(cable: Cable) -> None:
    """Open, but only garbage (a wrong baud rate): after the time set this is said once, and again when readings come."""
    clock, hand, store = RealClock(), HandClock(), MemoryStore(VAN)
    serial = SerialSource(SerialSettings(port=str(cable.path), format="lines", battery="van7"), clock)
    source = Supervised(serial, hand, quiet_after_s=0.05)
    with structlog.testing.capture_logs() as logs:
        async with running(store, clock, source):
            await until(lambda: source.state.up)
            cable.say(b"\n\x80\x81\x82\n")
            hand.go(61_000)
            await until(lambda: any("no valid reading has come for 61 seconds" in line["event"] for line in logs))
            assert source.quiet_s() is not None
            cable.say(b"12.61,-1,18\n")
            await until(lambda: any("readings come again" in line["event"] for line in logs))
            assert source.quiet_s() is None


async def test_a_file_is_read_to_its_end_and_again_changes_nothing(tmp_path: Path) -> None:
    """A recorded file with an unfinished last line is read whole; the loop ends with it; reading it twice keeps it once."""
    clock, store = RealClock(), MemoryStore(VAN)
    path = tmp_path / "capture.txt"
    path.write_bytes(
        b"".join(b'{"u": 12.6, "t": %d}\n' % (1_772_366_400_000 + i * 1000) for i in range(3000)) + b'{"u": 12.5, "t": 1772370000000}'
    )
    for _ in range(2):
        source = Supervised(FileSource(FileSettings(path=path, format="json", battery="van7"), clock), clock)
        async with running(store, clock, source):
            await until(lambda: source.state.ended)  # noqa: B023
    assert len(store.history) == 3001


async def test_a_missing_file_is_said(tmp_path: Path) -> None:
    """The path and the reason stand in the message."""
    with pytest.raises(SourceLost, match="No such file"):
        async with FileSource(FileSettings(path=tmp_path / "nowhere", format="json"), RealClock()):
            pass


@pytest.mark.parametrize("more", [{"baud": 3}, {"parity": "mark"}, {"stop_bits": 3}, {"bauds": 9600}])
def test_settings_that_cannot_be_meant_are_refused(more: dict[str, Any]) -> None:
    """Wrong values and unknown keys are named."""
    with pytest.raises(ValidationError, match=next(iter(more))):
        SerialSettings(port="/dev/x", format="lines", **more)
