"""A battery's readings out of history into a file: CSV (which replay reads) or Parquet (extra `parquet`)."""

import csv
import gzip
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from analytics.reading import Reading
from api.database import Database
from api.ledger import SqlLedger
from api.mistakes import SettingsError
from api.settings import Settings
from api.words import rfc3339

COLUMNS = ("time", "voltage_v", "current_a", "temperature_c", "charge_ah", "sequence")
ROW_GROUP = 100_000
"""Readings written at once, so that years of seconds need no more memory than a day."""


def write(settings: Settings, battery_id: str, from_ms: int, to_ms: int | None, out: Path) -> int:
    """How many readings were written. Raises SettingsError for an unknown battery or kind of file."""
    with Database(settings.database_address, checkpoints=False) as database:
        ledger = SqlLedger(database)
        if ledger.battery(battery_id) is None:
            known = ", ".join(b.id for b in ledger.batteries()) or "none"
            raise SettingsError(out, [f"battery = {battery_id!r}: expected one that is declared ({known})"])
        readings = ledger.history.readings(battery_id, from_ms, to_ms)
        if out.suffix == ".parquet":
            return _parquet(readings, out)
        if out.name.endswith((".csv", ".csv.gz")):
            return _csv(readings, out)
    raise SettingsError(out, ["expected a name that ends with .csv, .csv.gz or .parquet"])


def _row(r: Reading) -> tuple[object, ...]:
    return rfc3339(r.at_ms), r.voltage_v, r.current_a, r.temperature_c, r.charge_ah, r.sequence


def _csv(readings: Iterator[Reading], out: Path) -> int:
    rows = 0
    with gzip.open(out, "wt", encoding="utf-8", newline="") if out.suffix == ".gz" else out.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        for reading in readings:
            table.writerow(_row(reading))
            rows += 1
    return rows


def _parquet(readings: Iterator[Reading], out: Path) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as e:
        raise SettingsError(out, ["Parquet needs the extra `parquet`: pip install 'restvolt[parquet]'"]) from e
    columns = [("time", pa.timestamp("ms", tz="UTC")), *((name, pa.float64()) for name in COLUMNS[1:5]), ("sequence", pa.int64())]
    schema, count = pa.schema(columns), 0
    with pq.ParquetWriter(out, schema) as file:
        while part := list(islice(readings, ROW_GROUP)):
            values = zip(*((r.at_ms, r.voltage_v, r.current_a, r.temperature_c, r.charge_ah, r.sequence) for r in part), strict=True)
            file.write_table(pa.table([pa.array(v, kind) for v, (_, kind) in zip(values, columns, strict=True)], schema=schema))
            count += len(part)
    return count
