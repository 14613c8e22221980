"""`make soak`: the loop for an hour of the wall's time (or --minutes), months of readings in it, with faults; memory must stay flat.

Time is compressed: a round of twenty batteries is a minute of the story, and the next begins as soon as the loop has room for it. Lines and
JSON, duplicates, late readings, garbage, unknown batteries and notes go through the real loop into SQLite; each hour of the story the upkeep
rolls up and lets go of what is older than a week, and somebody looks at a week of a battery. Each commit holds a minute of the story and
waits for the disk; the loop is never more than two behind. Prints resident memory along the way and ends with 1 if the second half grew
by more than a tenth.
"""

import argparse
import asyncio
import json
import random
import sys
import tempfile
import time
from pathlib import Path

from analytics.reading import Note, Reading
from api.ledger import SqlLedger
from api.upkeep import RetentionSettings, Upkeep
from ingest.pipeline import PipelineSettings
from tests.benchmarks.scene import readings, store
from tests.fakes.clock import NOON_MS, HandClock
from tests.ingest.scene import HandSource, running

BATTERIES = 20
BY_LINES = 5
"""So many of them speak in lines without a time."""
MINUTE_MS, HOUR_MS, DAY_MS = 60_000, 3_600_000, 86_400_000


def resident_mb() -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmRSS"))) / 1024


class Story:
    """What is sent: one minute of all batteries at a time."""

    def __init__(self, source: HandSource, clock: HandClock, seed: int) -> None:
        self._source, self._clock, self._chance = source, clock, random.Random(seed)
        self._streams = [readings(f"b{n:05d}", 10_000_000, MINUTE_MS, NOON_MS) for n in range(BATTERIES)]
        self._late: list[tuple[int, str, bytes]] = []
        self.sent = 0

    def minute(self) -> None:
        for n, stream in enumerate(self._streams):
            self._send(f"b{n:05d}", next(stream), lines=n < BY_LINES)
        while self._late and self._late[0][0] <= self._clock.wall:
            _, battery_id, payload = self._late.pop(0)
            self._give(payload, battery_id, "json")
        if self._chance.random() < 0.001:
            self._source.give(Note("b00000", self._clock.wall, "check", 12.6, "Ada"))
            self.sent += 1

    def _send(self, battery_id: str, reading: Reading, lines: bool) -> None:
        fate = self._chance.random()
        row = {"u": reading.voltage_v, "i": reading.current_a, "temp": reading.temperature_c, "t": reading.at_ms}
        payload, form = (b"%.3f,%.3f,%.1f\n" % tuple(list(row.values())[:3]), "lines") if lines else (json.dumps(row).encode(), "json")
        if fate < 0.01:
            payload = self._chance.randbytes(self._chance.randrange(1, 400))
        elif fate < 0.011:
            battery_id = "nobody"
        elif fate < 0.012 and not lines:
            self._late.append((reading.at_ms + self._chance.randrange(1, 12) * HOUR_MS, battery_id, payload))
            self._late.sort()
            return
        self._give(payload, battery_id, form)
        if fate > 0.99:
            self._give(payload, battery_id, form)

    def _give(self, payload: bytes, battery_id: str, form: str) -> None:
        self._source.send(payload, battery_id, form)
        self.sent += 1


async def soak(minutes: float, folder: Path, seed: int) -> list[float]:
    """Resident memory at sixty moments, MB."""
    ledger, clock = store(folder, BATTERIES), HandClock()
    upkeep = Upkeep(ledger.database, RetentionSettings(raw_days=7, minute_days=7), clock.wall_ms, reserve_bytes=0)
    source = HandSource(clock, in_flight=None)
    story, seen, began = Story(source, clock, seed), list[float](), time.monotonic()
    print(f"begin: {resident_mb():7.1f} MB", flush=True)
    settings = PipelineSettings(commit_readings=BATTERIES)
    async with running(ledger, clock, source, settings=settings) as pipeline:
        while time.monotonic() - began < minutes * 60:
            story.minute()
            clock.go(MINUTE_MS)
            while story.sent - len(source.acknowledged) > 2 * BATTERIES:
                await asyncio.sleep(0.001)
            if len(source.acknowledged) > 50_000:
                story.sent -= len(source.acknowledged)
                source.acknowledged.clear()
            if clock.wall % HOUR_MS == 0:
                await asyncio.to_thread(looked_after, upkeep, ledger, clock.wall)
            await asyncio.sleep(0)
            if time.monotonic() - began >= (len(seen) + 1) * minutes:
                seen.append(resident_mb())
                c, days = pipeline.counters, (clock.wall - NOON_MS) / DAY_MS
                print(
                    f"{len(seen):3} of 60: {seen[-1]:7.1f} MB, day {days:,.0f}, {c.kept:,} kept, {sum(c.rejected.values()):,} rejected, "
                    f"{c.duplicates:,} doubled, {c.late:,} late, {c.commits:,} commits, file {ledger.database.path.stat().st_size / 1e6:.0f} MB",
                    flush=True,
                )
    ledger.database.close()
    return seen


def looked_after(upkeep: Upkeep, ledger: SqlLedger, now_ms: int) -> None:
    """What the service does beside the loop: roll up, let go, answer."""
    upkeep.work()
    ledger.history.read("b00001", now_ms - 7 * DAY_MS, now_ms, 1000)


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=60.0)
    options.add_argument("--seed", type=int, default=1)
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        seen = asyncio.run(soak(given.minutes, Path(folder), given.seed))
    first, last = max(seen[20:30]), max(seen[50:])
    print(f"middle of the run {first:.1f} MB, end {last:.1f} MB: {100 * (last / first - 1):+.1f} %")
    return 0 if last <= 1.1 * first else 1


if __name__ == "__main__":
    sys.exit(main())
