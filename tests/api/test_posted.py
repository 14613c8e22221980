"""What a replica is told over HTTP about a battery that a worker reads: the worker folds it, and nobody loses the battery."""

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

from sqlalchemy import text

from analytics.battery import Battery
from analytics.reading import Note
from api.database import Database
from api.ledger import SqlLedger
from api.main import Service
from api.posted import NOTE, Letter, Posted, collect
from api.settings import Settings
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

FORMAT = {"decoder": "json", "voltage": "volts", "time": {"field": "time", "kind": "rfc3339"}}


@asynccontextmanager
async def running(folder: Path, url: str, died: list[str]) -> AsyncIterator[Service]:
    """A service of a shared database, without sources; `died` hears what would have ended it."""
    given = {
        "data": folder,
        "database_url": url,
        "shared": True,
        "web": {"port": 0},
        "format": {"json": FORMAT, "plain": {"decoder": "json", "voltage": "volts"}},
    }
    service = Service(Settings.model_validate({**given, "keep": {"commit_every_s": 0.05}, "clock": {"believed_after_s": 0}}))
    service.fenced._die = died.append
    stop, ready = asyncio.Event(), asyncio.Event()
    task = asyncio.create_task(service.run(stop, lambda _: ready.set()))
    await ready.wait()
    try:
        yield service
    finally:
        stop.set()
        await task


async def until(done: Callable[[], object]) -> None:
    async with asyncio.timeout(30):
        while not done():
            await asyncio.sleep(0.05)


def payload(volts: object) -> bytes:
    return json.dumps({"time": "2026-03-01T10:00:00Z", "volts": volts}).encode()


def test_the_worker_folds_what_a_replica_was_told(database: Database, tmp_path: Path) -> None:  # noqa: F811
    """A note and readings left at a replica reach the state through the worker, which keeps the battery; a replica claims nothing."""
    ledger, died = SqlLedger(database), list[str]()
    ledger.declare(Battery("van1", "agm", 95.0), 0, "test")

    async def work() -> None:
        async with running(tmp_path / "worker", database.url, died) as worker, running(tmp_path / "replica", database.url, died) as replica:
            worker.fenced.partition_of = lambda battery_id: "readings-03"
            assert (await worker._put("van1", "json", payload(12.6))).kept == 1
            noted = Note("van1", time.time_ns() // 1_000_000, "check", 12.61, "Ada")
            await replica._note(noted)
            assert (await replica._put("van1", "json", b"nothing of use")).kept == 0
            receipt = await replica._put("van1", "json", payload(12.5) + b"\n" + payload("full"))
            assert receipt.kept + len(receipt.rejected) >= 1
            before_ms = time.time_ns() // 1_000_000
            assert (await replica._put("van1", "plain", b'{"volts": 12.4}')).kept == 1
            after_ms = time.time_ns() // 1_000_000
            await until(lambda: not Posted(database).waiting(["van1"]))
            assert ledger.notes("van1") == [noted]
            received = [r for r in ledger.readings("van1", 0) if r.voltage_v == 12.4]
            assert [before_ms <= r.at_ms <= after_ms for r in received] == [True]
            assert replica.fenced.mine() == set()
            assert worker.fenced.mine() == {"van1"}

    asyncio.run(work())
    assert died == []
    with database.reading() as connection:
        assert connection.execute(text("SELECT fence FROM batteries WHERE id = 'van1'")).scalar_one() == 1


def test_without_a_worker_a_replica_folds_itself(database: Database, tmp_path: Path) -> None:  # noqa: F811
    """A battery whose readings never came through a partition has no worker: the process that is told takes it over, as a single service does."""
    ledger, died = SqlLedger(database), list[str]()
    ledger.declare(Battery("van1", "agm", 95.0), 0, "test")

    async def work() -> None:
        async with running(tmp_path / "replica", database.url, died) as replica:
            assert (await replica._put("van1", "json", payload(12.6))).kept == 1
            assert replica.fenced.mine() == {"van1"}

    asyncio.run(work())
    assert len(list(ledger.readings("van1", 0))) == 1


def test_a_letter_stays_until_it_is_kept(database: Database) -> None:  # noqa: F811
    """Letters are taken in their order by whoever answers for the battery; one that could not be folded is tried again."""
    ledger, posted, seen = SqlLedger(database), Posted(database), list[Letter]()
    for battery_id in ("a", "b"):
        ledger.declare(Battery(battery_id, "agm", 95.0), 0, "test")
    ledger.claim(["a"], {"a": "readings-00"})
    assert posted.has_worker("a")
    assert not posted.has_worker("b")
    assert not posted.has_worker("stranger")
    for n, battery_id in enumerate(("a", "b", "a")):
        posted.leave(battery_id, NOTE if n else "json", f"{n}".encode(), 1000 + n)

    async def fold(letter: Letter) -> bool:
        seen.append(letter)
        return len(seen) > 1

    async def work() -> None:
        collecting = asyncio.create_task(collect(posted, lambda: {"a"}, fold, 0.01))
        await until(lambda: not posted.waiting({"a"}))
        collecting.cancel()

    asyncio.run(work())
    assert [letter[1:] for letter in seen] == [("a", "json", b"0", 1000), ("a", "json", b"0", 1000), ("a", NOTE, b"2", 1002)]
    assert [letter.battery_id for letter in posted.waiting({"a", "b"})] == ["b"]
