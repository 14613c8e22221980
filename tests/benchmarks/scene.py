"""What the benchmarks share: readings of a plausible battery, a printed row, a fresh store."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from math import sin
from pathlib import Path

from analytics.battery import Battery
from analytics.reading import Reading
from api import record
from api.database import Database, Synchronous
from api.execute import insert_each
from api.ledger import SqlLedger
from api.tables import BATTERIES, DECLARATIONS

BEGIN_MS = 1_760_000_000_000


def battery(number: int = 0) -> Battery:
    return Battery(f"b{number:05d}", "agm", 100.0, initial_state_of_charge_pct=80.0)


def readings(battery_id: str, count: int, every_ms: int, begin_ms: int = BEGIN_MS) -> Iterator[Reading]:
    """A day's rhythm of load and charge; voltage follows it roughly."""
    for i in range(count):
        at_ms = begin_ms + i * every_ms
        amps = round(4.0 * sin(at_ms / 13_750_987.0) - 0.4 + 0.05 * (i % 7), 3)
        yield Reading(battery_id, at_ms, round(12.5 + 0.05 * amps + 0.001 * (i % 5), 3), amps, 15.0 + i % 3)


def payload(reading: Reading) -> bytes:
    at = datetime.fromtimestamp(reading.at_ms / 1000, UTC).isoformat()
    return json.dumps({"time": at, "volts": reading.voltage_v, "amps": reading.current_a, "celsius": reading.temperature_c}).encode()


def declare_all(database: Database, count: int) -> None:
    """The first so many batteries, numbered from 1, in a few statements."""
    made = [(n, battery(n - 1)) for n in range(1, count + 1)]
    with database.writing() as connection:
        insert_each(connection, BATTERIES, [(n, b.id, 0) for n, b in made], "")
        insert_each(connection, DECLARATIONS, [(n, n, BEGIN_MS, "bench", record.battery_dumps(b)) for n, b in made], "")


def store(folder: Path, count: int = 1, synchronous: Synchronous = "FULL") -> SqlLedger:
    path = str(folder / "bench.db")
    with Database(path, synchronous="NORMAL") as quick:
        declare_all(quick, count)
    return SqlLedger(Database(path, synchronous=synchronous).open())


def row(what: str, value: str, target: str) -> None:
    print(f"{what:<64}{value:>22}   {target}", flush=True)
