"""The database under ledger and history: migrations, size on disk, one writer, damage, backup and restore, power cuts."""

import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path
from random import Random

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy.exc import IntegrityError

import api.migrations
from analytics.assessment import Assessment, Details
from analytics.batch import Batch, Checkpoint
from analytics.battery import Battery
from analytics.reading import Reading, on_the_grid
from api.backup import BackupFailed, backup, restore
from api.database import HEAD, Database, DatabaseBusy, DatabaseDamaged
from api.ledger import SqlLedger
from api.repair import open_or_repair
from api.tables import METADATA
from api.upkeep import writes
from tests.contracts.test_history import pair
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

T0, MINUTE = 1_790_000_000_000, 60_000


def test_migrations_make_the_tables_of_the_code(database: Database) -> None:  # noqa: F811
    """What the migrations build is what api.tables says, and the newest migration is the one the code expects."""
    scripts = ScriptDirectory(str(Path(api.migrations.__file__).parent))
    assert scripts.get_heads() == [HEAD]
    with database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert context.get_current_revision() == HEAD
        assert compare_metadata(context, METADATA) == []


def test_a_sqlite_file_is_safe_by_default(tmp_path: Path) -> None:
    """Write-ahead log and full synchronisation, as the connection itself says; NORMAL only when asked for."""
    for synchronous, code in (("FULL", 2), ("NORMAL", 1)):
        with Database(str(tmp_path / f"{synchronous}.db"), synchronous=synchronous) as opened, opened.writing() as connection:  # type: ignore[arg-type]
            assert connection.exec_driver_sql("PRAGMA journal_mode").scalar_one() == "wal"
            assert connection.exec_driver_sql("PRAGMA synchronous").scalar_one() == code
    assert Database("x.db")._synchronous == "FULL"


def test_readers_cannot_write(tmp_path: Path) -> None:
    """A reading connection refuses to write, so nobody writes around the one writer."""
    with Database(str(tmp_path / "x.db")) as opened, pytest.raises(DatabaseBusy, match="readonly"), opened.reading() as connection:
        connection.exec_driver_sql("DELETE FROM history")


@pytest.mark.parametrize(("batteries", "counter"), [(1, False), (1, True), (200, False)])
def test_a_reading_takes_at_most_40_bytes_on_disk(
    tmp_path: Path, batteries: int, counter: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """100,000 readings like those of stored and used batteries, with every column filled: the size of the whole file by their number."""
    random, count, details = Random(1), 100_000, Details(0)
    path = tmp_path / "size.db"
    with Database(str(path), synchronous="NORMAL") as opened:
        opened.close()
    empty = path.stat().st_size
    with Database(str(path), synchronous="NORMAL") as opened:
        ledger = SqlLedger(opened)
        for begin in range(0, count, 5000):
            kept = []
            for i in range(begin, begin + 5000):
                at = T0 + i // batteries * MINUTE + random.randrange(1000)
                in_use = i // batteries % 20_000 > 10_000
                current = random.gauss(-4, 15) if in_use else random.gauss(-0.03, 0.02)
                charge = -(i % 2000) / 7.0 if counter else None
                reading = on_the_grid(
                    Reading(f"v{i % batteries}", at, 12.6 + random.gauss(0, 0.3), current, 12 + random.gauss(0, 8), charge, i // batteries)
                )
                pct = random.uniform(30, 100)
                kept.append(
                    (
                        reading,
                        Assessment(reading.battery_id, at, 12.6, current, 12.0, pct, pct - 7, min(100, pct + 6), "bulk", None, details),
                    )
                )
            ledger.commit(Batch(kept=kept))
    size = (path.stat().st_size - empty) / count
    with capsys.disabled():
        print(f"\n  {size:.1f} bytes a reading on disk ({batteries} batteries, {'with' if counter else 'without'} a charge counter)")
    assert size <= 40


def test_what_is_written_is_counted(tmp_path: Path) -> None:
    """Commits are counted, and bytes where the system tells them."""
    with Database(str(tmp_path / "x.db")) as opened:
        before = writes(opened)
        SqlLedger(opened).commit(Batch(kept=[pair("van", T0)]))
        SqlLedger(opened).commit(Batch())
        after = writes(opened)
    assert after["commits"] == before["commits"] + 1
    assert after.get("bytes", 0) >= before.get("bytes", 0)


def test_many_threads_write_through_one_connection(tmp_path: Path) -> None:
    """Writers queue, readers see only whole commits, and all is kept."""
    with Database(str(tmp_path / "x.db"), synchronous="NORMAL") as opened:
        ledger, torn = SqlLedger(opened), list[int]()

        def write(n: int) -> None:
            for i in range(20):
                ledger.commit(Batch(kept=[pair(f"v{n}", T0 + i), pair(f"w{n}", T0 + i)]))

        def read() -> None:
            for _ in range(50):
                with opened.reading() as connection:
                    if (count := connection.exec_driver_sql("SELECT count(*) FROM history").scalar_one()) % 2:
                        torn.append(count)

        threads = [threading.Thread(target=write, args=(n,)) for n in range(4)] + [threading.Thread(target=read) for _ in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert torn == []
        with opened.reading() as connection:
            assert connection.exec_driver_sql("SELECT count(*) FROM history").scalar_one() == 160


def filled(path: Path, count: int = 20_000) -> None:
    """A closed database with readings, an alert's worth of declarations and a checkpoint."""
    with Database(str(path), synchronous="NORMAL") as opened:
        ledger = SqlLedger(opened)
        ledger.declare(Battery("van", "agm", 100.0), T0, "test")
        ledger.commit(Batch(kept=[pair("van", T0 + i * 1000) for i in range(count)], checkpoints=[Checkpoint("van", T0, b"state")]))


def test_a_sound_database_is_simply_opened(tmp_path: Path) -> None:
    """Nothing is set aside where nothing is wrong, also after a crash that left the log behind."""
    path = tmp_path / "x.db"
    filled(path, 100)
    opened = Database(str(path))
    assert open_or_repair(opened) is None
    assert opened.trouble() is None
    opened.close()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["x.db"]


@pytest.mark.parametrize("place", ["middle", "head", "nothing but noise"])
def test_a_damaged_database_is_kept_aside_and_what_can_be_is_saved(tmp_path: Path, place: str) -> None:
    """The damaged file stays as it is under another name, a new one holds what could be read, and the sentence says what."""
    path = tmp_path / "x.db"
    filled(path)
    data = bytearray(path.read_bytes())
    if place == "middle":
        at = len(data) // 2 // 4096 * 4096
        data[at : at + 8192] = Random(2).randbytes(8192)
    elif place == "head":
        data[:100] = bytes(100)
    else:
        data[:] = Random(3).randbytes(len(data))
    path.write_bytes(data)
    opened = Database(str(path))
    saved = open_or_repair(opened)
    assert saved is not None
    assert saved.aside.read_bytes() == bytes(data)
    ledger = SqlLedger(opened)
    count = sum(1 for _ in ledger.readings("van", 0))
    assert count == saved.rows.get("history", 0)
    assert "The database was damaged" in saved.sentence()
    assert str(saved.aside) in saved.sentence()
    if place == "middle":
        assert 19_000 < count < 20_000
        assert ledger.battery("van") == Battery("van", "agm", 100.0)
        assert "history" in saved.damaged
    else:
        assert count == 0
    ledger.commit(Batch(kept=[pair("van", T0 + 10**9)]))
    opened.close()


def test_damage_that_shows_while_running_is_named(tmp_path: Path) -> None:
    """A read that meets damage raises the error that leads to repair, not a driver's."""
    path = tmp_path / "x.db"
    filled(path)
    data = bytearray(path.read_bytes())
    at = len(data) // 2 // 4096 * 4096
    data[at : at + 40960] = bytes(40960)
    path.write_bytes(data)
    with Database(str(path)) as opened, pytest.raises(DatabaseDamaged, match="damaged"):
        list(SqlLedger(opened).readings("van", 0))


def test_a_folder_that_cannot_be_written_is_said(tmp_path: Path) -> None:
    """No database can be made where a file stands in the place of its folder."""
    (tmp_path / "file").write_text("")
    with pytest.raises(OSError, match="file"):
        Database(str(tmp_path / "file" / "x.db")).open()


def test_a_bug_is_not_dressed_up(tmp_path: Path) -> None:
    """A broken constraint is a mistake in the code and stays visible as such."""
    with Database(str(tmp_path / "x.db")) as opened, pytest.raises(Exception, match="NOT NULL") as caught, opened.writing() as connection:
        connection.exec_driver_sql("INSERT INTO meta (key) VALUES ('x')")
    assert not isinstance(caught.value, DatabaseBusy)
    assert caught.type is not IntegrityError or caught.value is not None


def test_a_backup_while_writing_is_whole_and_can_be_restored(tmp_path: Path) -> None:
    """While the service writes, a copy is made that holds whole commits only; restored, it is what the service goes on with."""
    path, copy = tmp_path / "x.db", tmp_path / "copy.db"
    filled(path)
    heard: list[tuple[int, int]] = []
    with Database(str(path), synchronous="NORMAL") as opened:
        ledger, stop = SqlLedger(opened), threading.Event()

        def write() -> None:
            i = 0
            while not stop.is_set():
                ledger.commit(Batch(kept=[pair("a", T0 + i), pair("b", T0 + i)]))
                i += 1

        thread = threading.Thread(target=write)
        thread.start()
        try:
            size = backup(path, copy, lambda done, total: heard.append((done, total)))
        finally:
            stop.set()
            thread.join()
        with pytest.raises(BackupFailed, match="never overwrites"):
            backup(path, copy)
        with pytest.raises(BackupFailed, match="stop it first"):
            restore(copy, path)
    assert size == copy.stat().st_size
    assert heard[-1][0] == heard[-1][1]
    with closing(sqlite3.connect(copy)) as plain:
        a, b = (
            plain.execute("SELECT count(*) FROM history h JOIN batteries b ON b.number = h.battery WHERE b.id = ?", (i,)).fetchone()[0]
            for i in "ab"
        )
        assert a == b
    aside = restore(copy, path)
    assert aside is not None
    assert aside.exists()
    with Database(str(path)) as opened:
        assert sum(1 for _ in SqlLedger(opened).readings("van", 0)) == 20_000
        assert SqlLedger(opened).resume("van") == (T0, b"state")


def test_a_bad_backup_is_refused_before_anything_is_touched(tmp_path: Path) -> None:
    """A backup that is missing, cut, noise or of a newer version leaves the database alone."""
    path = tmp_path / "x.db"
    filled(path, 2000)
    before = path.read_bytes()
    cut, noise, newer = tmp_path / "cut.db", tmp_path / "noise.db", tmp_path / "newer.db"
    cut.write_bytes(before[: len(before) // 2])
    noise.write_bytes(Random(5).randbytes(50_000))
    shutil.copy(path, newer)
    with closing(sqlite3.connect(newer)) as plain:
        plain.execute("UPDATE alembic_version SET version_num = '9999'")
        plain.commit()
    for bad in (tmp_path / "none.db", cut, noise, newer):
        with pytest.raises(BackupFailed, match="expected a sound backup"):
            restore(bad, path)
    assert path.read_bytes() == before
    with pytest.raises(BackupFailed, match="found nothing"):
        backup(tmp_path / "none.db", tmp_path / "y.db")
    assert not (tmp_path / "y.db").exists()


WRITER = """
import sys
from analytics.batch import Batch, Checkpoint
from api.database import Database
from api.ledger import SqlLedger
from tests.contracts.test_history import pair
ledger = SqlLedger(Database(sys.argv[1]).open())
at = ledger.history.last_ms("van")
i = 0 if at is None else at - 1_790_000_000_000 + 1
while True:
    ledger.commit(Batch(kept=[pair(b, 1_790_000_000_000 + i) for b in ("van", "two")], checkpoints=[Checkpoint("van", 1_790_000_000_000 + i, b"%d" % i)]))
    print(i, flush=True)
    i += 1
"""


def test_a_kill_at_any_moment_loses_nothing_that_was_committed(tmp_path: Path) -> None:
    """kill -9 in the middle of commits, again and again: everything reported as committed is there, whole, once."""
    path = tmp_path / "x.db"
    random, reported = Random(11), -1
    for _ in range(4):
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
        ) as process:
            assert process.stdout is not None
            for _ in range(random.randrange(5, 60)):
                reported = int(process.stdout.readline())
            process.kill()
            rest = process.stdout.read().split()
        reported = max([reported, *map(int, rest)])
        with Database(str(path)) as opened:
            assert opened.trouble() is None
            ledger = SqlLedger(opened)
            van, two = ([r.at_ms - T0 for r in ledger.readings(b, 0)] for b in ("van", "two"))
            assert van == two == list(range(len(van)))
            assert len(van) >= reported + 1
            assert ledger.resume("van") == (T0 + len(van) - 1, b"%d" % (len(van) - 1))


def test_a_power_cut_loses_nothing_that_was_synchronised(tmp_path: Path) -> None:
    """The file as the disk had it at the last synchronisation, with any part of what was written after it: every commit that returned is there.

    With FULL, SQLite synchronises the log at each commit (sqlite.org, pragma synchronous), so the log may be cut anywhere behind
    the size it had when a commit returned, or its tail may be noise, and that commit and all before it must stand.
    """
    path, random = tmp_path / "x.db", Random(12)
    marks: list[tuple[int, int]] = []
    with Database(str(path)) as opened:
        ledger = SqlLedger(opened)
        wal = path.with_name("x.db-wal")
        for i in range(40):
            ledger.commit(Batch(kept=[pair("van", T0 + i * 10 + n) for n in range(random.randrange(1, 9))]))
            marks.append((wal.stat().st_size, sum(1 for _ in ledger.readings("van", 0))))
        main, log = path.read_bytes(), wal.read_bytes()
    for round_number in range(60):
        size, count = random.choice(marks)
        cut = random.randrange(size, len(log) + 1)
        tail = bytearray(log[size:cut])
        if round_number % 2 and tail:  # pages of the tail that never reached the disk
            for at in range(0, len(tail), 512):
                if random.random() < 0.5:
                    tail[at : at + 512] = bytes(len(tail[at : at + 512]))
        folder = tmp_path / f"cut{round_number}"
        folder.mkdir()
        (folder / "x.db").write_bytes(main)
        (folder / "x.db-wal").write_bytes(log[:size] + tail)
        with Database(str(folder / "x.db")) as opened:
            assert opened.trouble() is None
            kept = [r.at_ms for r in SqlLedger(opened).readings("van", 0)]
        assert len(kept) >= count
        assert kept == sorted(kept)


def test_opening_twice_and_closing_twice_is_harmless(tmp_path: Path) -> None:
    """Open and close may be called again; the last close leaves one file."""
    opened = Database(str(tmp_path / "x.db"))
    opened.open().open()
    opened.close()
    opened.close()
    assert os.listdir(tmp_path) == ["x.db"]  # noqa: PTH208
