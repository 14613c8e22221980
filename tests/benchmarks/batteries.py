"""What a reading costs with a hundred batteries and with many, and what it takes to hold and to load so many.

`python -m tests.benchmarks.batteries [--batteries 100000] [--postgres]`. Each commit holds a hundred readings of as many batteries, as a
fleet's does, and checkpoints fall due evenly, so that the number of batteries is the only thing that differs.
"""

import argparse
import gc
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from itertools import islice
from pathlib import Path

from analytics import keep
from analytics.batch import Batch
from analytics.core import begin
from analytics.fold import fold
from api.clock import MachineClock
from api.database import Database
from api.execute import insert_each
from api.fencing import FencedLedger
from api.ledger import SqlLedger
from api.running import collect_rarely
from api.tables import NEWEST_CHECKPOINTS
from ingest.counters import Counters
from ingest.folding import Folding
from ingest.formats import FORMATS
from ingest.intake import Intake
from ingest.source import Delivery
from tests.benchmarks.scene import BEGIN_MS, battery, declare_all, payload, readings, row

FEW, MANY = 100, 10_000
A_COMMIT = 100
READINGS = 20_000
PARTS = 20
"""Few and many in turn, so that whatever else the machine does meets both."""
CHECKPOINT_READINGS = 50
EVERY_MS = 60_000
DAY, PHASES = 1440, 60
FORMAT = {"voltage": "volts", "current": "amps", "temperature": "celsius", "time": {"field": "time", "kind": "rfc3339"}}


@contextmanager
def database(postgres: bool) -> Iterator[Database]:
    if postgres:
        from tests.fleet.postgres import Postgres

        with Postgres() as server, Database(server.url) as opened:
            yield opened
    else:
        with tempfile.TemporaryDirectory() as folder, Database(str(Path(folder) / "bench.db"), synchronous="NORMAL") as opened:
            yield opened


def fill(opened: Database, count: int, checkpoints: list[tuple[int, bytes]]) -> None:
    """So many declared batteries, each with a state after a day: at all minutes of the hour, so that what comes once an hour comes evenly."""
    declare_all(opened, count)
    with opened.writing() as connection:
        kept = [(n, *checkpoints[(n - 1) % PHASES]) for n in range(1, count + 1)]
        insert_each(connection, NEWEST_CHECKPOINTS, kept, "")


def resident_kb() -> int:
    gc.collect()
    return int(next(line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmRSS")))


def deliveries(count: int) -> Iterator[Delivery]:
    """One reading of each battery after the other, from where its checkpoint ends."""
    minutes = [(reading.at_ms, payload(reading)) for reading in islice(readings("", DAY + PHASES, EVERY_MS), DAY, None)]
    source = readings("", 1 << 40, EVERY_MS, BEGIN_MS + (DAY + PHASES) * EVERY_MS)
    while True:
        for number in range(count):
            at_ms, body = minutes[number % PHASES]
            yield Delivery("bench", f"b{number:05d}", "json", body, at_ms + 50, 0)  # the time is the reading's own, not that of its coming
        reading = next(source)
        minutes = [*minutes[1:], (reading.at_ms, payload(reading))]


class Measured:
    """So many batteries in one worker: taken over, each heard once, and then as many readings at a time as asked for."""

    def __init__(self, opened: Database, count: int, checkpoints: list[tuple[int, bytes]]) -> None:
        fill(opened, count, checkpoints)
        self._store = FencedLedger(SqlLedger(opened), _never)
        folding = Folding(self._store, CHECKPOINT_READINGS)
        make = partial(FORMATS["json"].decoder, FORMATS["json"].settings.model_validate(FORMAT))
        self._intake = Intake(folding, {"json": make}, MachineClock(0.0), Counters())
        empty_kb, began = resident_kb(), time.perf_counter()
        self._intake.load([f"b{number:05d}" for number in range(count)])
        self.load_ms = (time.perf_counter() - began) / count * 1e3
        for nth, live in enumerate(folding.lives.values()):
            live.since = nth % CHECKPOINT_READINGS
        self._stream = deliveries(count)
        self.work(max(count, PHASES * FEW))  # each has its first decoder and details
        self.kb = (resident_kb() - empty_kb) / count
        self.spent_s = 0.0

    def work(self, count: int) -> float:
        """Decode, fold and commit so many readings; processor seconds of it."""
        spent_s, intake = 0.0, self._intake
        for _ in range(0, count, A_COMMIT):
            given = list(islice(self._stream, A_COMMIT))
            before = time.process_time()
            intake.take([(delivery, intake.decode(delivery)) for delivery in given])
            batch, intake.batch = intake.batch, Batch()
            batch.checkpoints.extend(intake.folding.checkpoints())
            self._store.commit(batch)
            spent_s += time.process_time() - before
        return spent_s


def _never(reason: str) -> None:
    raise AssertionError(reason)


def main(many: int = MANY, postgres: bool = False) -> None:
    """Print the rows of the table."""
    collect_rarely()
    checkpoints = []
    for nth, (state, given, _) in enumerate(fold(begin(battery()), readings(battery().id, DAY + PHASES - 1, EVERY_MS))):
        if nth >= DAY - 1:
            checkpoints.append((given.at_ms, keep.dumps(state)))
    where = "PostgreSQL" if postgres else "SQLite"
    with database(postgres) as first, database(postgres) as second:
        few, most = Measured(first, FEW, checkpoints), Measured(second, many, checkpoints)
        for _ in range(PARTS):
            few.spent_s += few.work(READINGS // PARTS)
            most.spent_s += most.work(READINGS // PARTS)
    row(f"a reading of {FEW} batteries ({where}, {A_COMMIT} a commit), processor time", f"{few.spent_s / READINGS * 1e6:.0f} us", "")
    row(f"a reading of {many:,} batteries against it", f"{most.spent_s / few.spent_s:.2f}", "at most 1.3")
    if many <= MANY:
        row("the same of 100,000 in some minutes, [--postgres]:", "python -m tests.benchmarks.batteries --batteries 100000", "at most 1.3")
    row(f"taking {many:,} batteries over, each", f"{most.load_ms:.2f} ms", "")
    row(f"memory for each of {many:,} batteries", f"{most.kb:.0f} kB", "")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batteries", type=int, default=MANY)
    parser.add_argument("--postgres", action="store_true")
    options = parser.parse_args()
    main(options.batteries, options.postgres)
