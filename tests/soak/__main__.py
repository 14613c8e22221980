"""`make soak`: the loop for an hour of the wall's time (or --minutes), days of readings in it, with faults; memory must stay flat.

Twenty batteries, mixed lines and JSON, duplicates, late readings, garbage, unknown batteries and notes, through the real loop into SQLite.
Prints resident memory along the way and ends with 1 if the second half grew by more than a tenth.
"""

import argparse
import asyncio
import json
import random
import sys
import tempfile
import time
from pathlib import Path

from analytics.reading import Note
from tests.benchmarks.scene import readings, store
from tests.fakes.clock import NOON_MS, HandClock
from tests.ingest.scene import HandSource, running

BATTERIES = 20


def resident_mb() -> float:
    lines = Path("/proc/self/status").read_text().splitlines()
    return int(next(line.split()[1] for line in lines if line.startswith("VmRSS"))) / 1024


async def soak(minutes: float, folder: Path, seed: int) -> list[float]:
    """Resident memory at sixty moments, MB."""
    ledger, clock, chance = store(folder, BATTERIES), HandClock(), random.Random(seed)
    source = HandSource(clock, in_flight=None)
    streams = [readings(f"b{n:05d}", 10_000_000, 60_000, NOON_MS) for n in range(BATTERIES)]
    seen: list[float] = []
    began, sent = time.monotonic(), 0
    async with running(ledger, clock, source) as pipeline:
        while time.monotonic() - began < minutes * 60:
            for n, stream in enumerate(streams):
                reading = next(stream)
                row = {"u": reading.voltage_v, "i": reading.current_a, "temp": reading.temperature_c, "t": reading.at_ms}
                payload = json.dumps(row).encode()
                if chance.random() < 0.01:
                    payload = chance.randbytes(chance.randrange(1, 400))
                source.send(payload, battery_id=f"b{n:05d}" if chance.random() > 0.001 else "nobody")
                sent += 1
                if chance.random() < 0.01:
                    source.send(payload, battery_id=f"b{n:05d}")
                    sent += 1
            if chance.random() < 0.001:
                source.give(Note("b00000", clock.wall, "check", 12.6, "Ada"))
                sent += 1
            clock.go(60_000)
            while sent - len(source.acknowledged) > 2000:
                await asyncio.sleep(0.01)
            if len(source.acknowledged) > 50_000:
                sent -= len(source.acknowledged)
                source.acknowledged.clear()
            await asyncio.sleep(0)
            if (time.monotonic() - began) / (minutes * 60) * 60 >= len(seen) + 1:
                seen.append(resident_mb())
                c = pipeline.counters
                print(
                    f"{len(seen):3} of 60: {seen[-1]:7.1f} MB, {c.kept:,} kept, {sum(c.rejected.values()):,} rejected, {c.duplicates:,} doubled",
                    flush=True,
                )
    ledger.database.close()
    return seen


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
