"""Damage that shows while the service runs: said, kept aside, mended, and nothing that was to be kept is lost; never for ever."""

import asyncio
from pathlib import Path
from random import Random

import pytest

from analytics.batch import Batch
from api.database import Database, DatabaseBusy, DatabaseDamaged
from api.ledger import SqlLedger
from api.repair import BeyondMending, Mender
from ingest.pipeline import Pipeline, PipelineSettings
from tests.api.test_database import T0, pair
from tests.fakes.clock import NOON_MS, HandClock
from tests.ingest.scene import DECODERS, VAN, HandSource, message, until

pytestmark = pytest.mark.anyio


def opened(path: Path, readings: int = 5_000) -> SqlLedger:
    ledger = SqlLedger(Database(str(path)).open())
    ledger.declare(VAN, T0, "test")
    ledger.commit(Batch(kept=[pair("van7", T0 + i * 1000) for i in range(readings)]))
    return ledger


def damage(database: Database, seed: int = 1) -> None:
    """Noise over most of the file, under the feet of the open connections, and nothing of it remembered in memory."""
    with database.alone() as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA cache_size=1")
        connection.execute("PRAGMA shrink_memory")
    size = database.path.stat().st_size
    with database.path.open("r+b") as file:
        file.seek(4096)
        file.write(Random(seed).randbytes(size - 4096))


async def test_a_reading_that_meets_damage_is_kept_in_the_new_file(tmp_path: Path) -> None:
    """The commit fails, the file is set aside, a new one begun, and the same batch goes into it and is acknowledged."""
    ledger, clock, said = opened(tmp_path / "x.db"), HandClock(), list[str]()

    def anew() -> None:
        ledger.forget()
        ledger.declare(VAN, T0, "test")

    mender = Mender(ledger.database, said.append, anew)
    source = HandSource(clock)
    pipeline = Pipeline(ledger, DECODERS, clock, PipelineSettings(commit_every_s=0.05), mend=mender)
    running = asyncio.create_task(pipeline.run([source]))
    source.send(message(NOON_MS - 2000))
    await until(lambda: len(source.acknowledged) == 1)
    damage(ledger.database)
    source.send(message(NOON_MS - 1000, 12.5))
    await until(lambda: len(source.acknowledged) == 2)
    pipeline.stop()
    await running
    assert [r.voltage_v for r in ledger.readings("van7", NOON_MS - 1500)] == [12.5]
    assert len(said) == 1
    assert "It is kept as" in said[0]
    assert (tmp_path / "x.aside-1.db").exists()
    assert ledger.database.trouble() is None
    ledger.database.close()


def test_a_fault_that_passed_and_one_of_another_kind_change_nothing(tmp_path: Path) -> None:
    """An error of the disk that is not there any more, and a busy or full database, leave the file where it is."""
    ledger, said = opened(tmp_path / "x.db", 10), list[str]()
    mender = Mender(ledger.database, said.append, ledger.forget)
    mender(DatabaseDamaged("disk I/O error"))
    mender(DatabaseBusy("locked"))
    assert said == []
    assert sorted(p.name for p in tmp_path.glob("*aside*")) == []
    ledger.database.close()


def test_a_file_damaged_again_and_again_ends_it(tmp_path: Path) -> None:
    """A third time in one run is a failing card: that is said, and nobody goes on trying."""
    ledger, said = opened(tmp_path / "x.db", 2_000), list[str]()
    mender = Mender(ledger.database, said.append, ledger.forget)
    for seed in range(Mender.MOST):
        ledger.declare(VAN, T0, "test")
        ledger.commit(Batch(kept=[pair("van7", T0 + i * 1000) for i in range(2_000)]))
        damage(ledger.database, seed)
        mender(DatabaseDamaged("malformed"))
    assert len(said) == Mender.MOST
    ledger.commit(Batch(kept=[pair("van7", T0 + i * 1000) for i in range(2_000)]))
    damage(ledger.database, 9)
    with pytest.raises(BeyondMending, match="card is failing"):
        mender(DatabaseDamaged("malformed"))
    ledger.database.close()


async def test_what_cannot_be_mended_ends_the_loop(tmp_path: Path) -> None:
    """The loop does not retry for ever: it ends with the reason, and what was not kept was not acknowledged."""
    ledger, clock = opened(tmp_path / "x.db", 10), HandClock()
    source = HandSource(clock)

    def never(e: Exception) -> None:
        raise BeyondMending("the card is failing")

    pipeline = Pipeline(ledger, DECODERS, clock, PipelineSettings(commit_every_s=0.05), mend=never)
    running = asyncio.create_task(pipeline.run([source]))
    source.send(message(NOON_MS - 2000))
    await until(lambda: len(source.acknowledged) == 1)
    ledger.database.close()
    source.send(message(NOON_MS - 1000))
    with pytest.raises(BeyondMending):
        await running
    assert len(source.acknowledged) == 1
