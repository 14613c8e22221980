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
from api import record
from api.clock import MachineClock
from api.database import Database
from api.execute import insert_each
from api.fencing import FencedLedger
from api.ledger import SqlLedger
from api.tables import BATTERIES, DECLARATIONS, NEWEST_CHECKPOINTS
from ingest.counters import Counters
from ingest.folding import Folding
from ingest.formats import FORMATS
from ingest.intake import Intake
from ingest.source import Delivery
from tests.benchmarks.scene import BEGIN_MS, battery, payload, readings, row

FEW, MANY = 100, 10_000
A_COMMIT = 100
READINGS = 20_000
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
    made = [battery(number) for number in range(count)]
    with opened.writing() as connection:
        insert_each(connection, BATTERIES, [(n, b.id, 0) for n, b in enumerate(made, 1)], "")
        insert_each(connection, DECLARATIONS, [(n, n, BEGIN_MS, "bench", record.battery_dumps(b)) for n, b in enumerate(made, 1)], "")
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
    """What one number of batteries takes."""

    def __init__(self, count: int, checkpoints: list[tuple[int, bytes]], postgres: bool) -> None:
        with database(postgres) as opened:
            fill(opened, count, checkpoints)
            store = FencedLedger(SqlLedger(opened), _never)
            folding = Folding(store, CHECKPOINT_READINGS)
            make = partial(FORMATS["json"].decoder, FORMATS["json"].settings.model_validate(FORMAT))
            intake = Intake(folding, {"json": make}, MachineClock(0.0), Counters())
            empty_kb, began = resident_kb(), time.perf_counter()
            intake.load([f"b{number:05d}" for number in range(count)])
            self.load_ms = (time.perf_counter() - began) / count * 1e3
            for nth, live in enumerate(folding.lives.values()):
                live.since = nth % CHECKPOINT_READINGS
            stream = deliveries(count)
            self._work(intake, store, list(islice(stream, max(count, PHASES * FEW))))  # each has its first decoder and details
            self.kb = (resident_kb() - empty_kb) / count
            given = list(islice(stream, READINGS))
            before = time.process_time()
            self._work(intake, store, given)
            self.each_us = (time.process_time() - before) / READINGS * 1e6

    @staticmethod
    def _work(intake: Intake, store: FencedLedger, given: list[Delivery]) -> None:
        for at in range(0, len(given), A_COMMIT):
            intake.take([(delivery, intake.decode(delivery)) for delivery in given[at : at + A_COMMIT]])
            batch, intake.batch = intake.batch, Batch()
            batch.checkpoints.extend(intake.folding.checkpoints())
            store.commit(batch)


def _never(reason: str) -> None:
    raise AssertionError(reason)


def main(many: int = MANY, postgres: bool = False) -> None:
    """Print the rows of the table."""
    checkpoints = []
    for nth, (state, given, _) in enumerate(fold(begin(battery()), readings(battery().id, DAY + PHASES - 1, EVERY_MS))):
        if nth >= DAY - 1:
            checkpoints.append((given.at_ms, keep.dumps(state)))
    few, most = (Measured(count, checkpoints, postgres) for count in (FEW, many))
    where = "PostgreSQL" if postgres else "SQLite"
    row(f"a reading of {FEW} batteries ({where}, {A_COMMIT} a commit), processor time", f"{few.each_us:.0f} us", "")
    row(f"a reading of {many:,} batteries against it", f"{most.each_us / few.each_us:.2f}", "at most 1.3")
    row(f"taking {many:,} batteries over, each", f"{most.load_ms:.2f} ms", "")
    row(f"memory for each of {many:,} batteries", f"{most.kb:.0f} kB", "")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--batteries", type=int, default=MANY)
    parser.add_argument("--postgres", action="store_true")
    options = parser.parse_args()
    main(options.batteries, options.postgres)
