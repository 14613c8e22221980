"""`restvolt export`: what history holds comes out whole, in order, and as a file that other programs and `replay` read."""

import csv
import gzip
import importlib
from pathlib import Path

import pytest

from analytics.assessment import Assessment, Details
from analytics.batch import Batch
from analytics.battery import Battery
from analytics.reading import Reading
from api import exporting
from api.database import Database
from api.ledger import SqlLedger
from api.mistakes import SettingsError
from api.recording import Recording
from api.settings import Settings

T0 = 1_772_366_400_000  # 2026-03-01T12:00:00Z
READINGS = [
    Reading("house", T0 + n * 60_000, round(12.7 - 0.001 * n, 3), None if n % 3 == 0 else -0.25, 18.5, None, sequence=n) for n in range(250)
]


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """A house with 250 minutes of one battery, every third without a current."""
    made = Settings.model_validate({"data": tmp_path})
    with Database(made.database_address) as database:
        ledger = SqlLedger(database)
        ledger.declare(Battery("house", "agm", 95.0), T0, "test")
        nothing = Assessment("house", T0, None, None, None, None, None, None, "unknown", None, Details(T0))
        ledger.commit(Batch(kept=[(r, nothing) for r in READINGS]))
    return made


@pytest.mark.parametrize("name", ["house.csv", "house.csv.gz"])
def test_a_csv_is_what_replay_reads(settings: Settings, tmp_path: Path, name: str) -> None:
    """All readings in order, an unknown current as an empty cell; read back as a recording they are the same readings."""
    out = tmp_path / name
    assert exporting.write(settings, "house", 0, None, out) == 250
    with gzip.open(out, "rt") if name.endswith("gz") else out.open() as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["time"] == "2026-03-01T12:00:00Z"
    assert rows[0]["current_a"] == ""
    recording = Recording(out, "house")
    assert [(r.at_ms, r.voltage_v, r.current_a) for r in recording] == [(r.at_ms, r.voltage_v, r.current_a) for r in READINGS]
    assert not recording.rejected


def test_parquet_holds_the_same_with_types_and_gaps(settings: Settings, tmp_path: Path) -> None:
    """Read by the reference library: times in UTC, null where nothing was measured; a part of the time gives that part only."""
    out = tmp_path / "house.parquet"
    assert exporting.write(settings, "house", T0 + 60_000, T0 + 100 * 60_000, out) == 99
    table = importlib.import_module("pyarrow.parquet").read_table(out)
    rows = table.to_pylist()
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    assert [round(row["time"].timestamp() * 1000) for row in rows] == [r.at_ms for r in READINGS[1:100]]
    assert [row["current_a"] for row in rows] == [r.current_a for r in READINGS[1:100]]
    assert [row["voltage_v"] for row in rows] == [r.voltage_v for r in READINGS[1:100]]


def test_an_empty_time_is_an_empty_file_and_not_an_error(settings: Settings, tmp_path: Path) -> None:
    """Nothing was kept in that time: a file with its columns and no rows, in either form."""
    for name in ("none.csv", "none.parquet"):
        assert exporting.write(settings, "house", 0, T0, tmp_path / name) == 0
        assert (tmp_path / name).stat().st_size > 0


@pytest.mark.parametrize(
    ("battery_id", "name", "expected"), [("shed", "a.csv", "expected one that is declared (house)"), ("house", "a.txt", ".parquet")]
)
def test_what_cannot_be_written_is_told_in_words(settings: Settings, tmp_path: Path, battery_id: str, name: str, expected: str) -> None:
    """An unknown battery or kind of file names what would have been right, and leaves no file behind."""
    with pytest.raises(SettingsError) as told:
        exporting.write(settings, battery_id, 0, None, tmp_path / name)
    assert expected in str(told.value)
    assert not (tmp_path / name).exists()
