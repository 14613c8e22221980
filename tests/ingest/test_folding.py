"""Folding when things go wrong: long refolds, checkpoints that cannot be read, readings too late, inputs that cannot be judged, a full card."""

import random
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from analytics.batch import Batch, Checkpoint
from analytics.reading import Reading
from api.database import Database
from api.ledger import SqlLedger
from ingest.folding import MOST_LATE_MS, Folding
from tests.benchmarks.scene import readings
from tests.fakes.clock import NOON_MS, HandClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import VAN, HandSource, folded, message, running, same, state_of, stores, until

pytestmark = pytest.mark.anyio
KINDS = pytest.mark.parametrize("kind", ["memory", "sqlite"])
MINUTE = 60_000
PART = 150


def filled(store: Any, readings: list[Reading]) -> Folding:
    """A folding that has folded and committed these readings, in parts."""
    folding = Folding(store, refold_part=PART)
    live = folding.load("van7", Batch())
    assert live is not None
    for begin in range(0, len(readings), 1000):
        batch = Batch()
        for reading in readings[begin : begin + 1000]:
            assert folding.fold(live, reading, batch, NOON_MS)
        batch.checkpoints = folding.checkpoints()
        store.commit(batch)
    return folding


@KINDS
def test_a_long_refold_is_committed_in_parts_and_may_be_cut_anywhere(kind: str, tmp_path: Path) -> None:
    """More readings than one part holds, after the very first one comes late: cut between parts, a restart is still right."""
    rng = random.Random(3)
    store = stores(tmp_path, kind, VAN)
    start = NOON_MS - (PART + PART // 3) * MINUTE
    rows = [
        Reading("van7", start + i * MINUTE, round(12.5 + rng.random() / 5, 3), round(rng.uniform(-9, 9), 3))
        for i in range(PART + PART // 3)
    ]
    folding = filled(store, rows)
    batch = Batch()
    folding.keep_late(folding.lives["van7"], Reading("van7", start - MINUTE, 12.9, 1.0), batch)
    store.commit(batch)
    parts = folding.refold("van7")
    first = next(parts)
    assert not first.news, "on the way there nothing is news"
    store.commit(first)
    history = list(store.readings("van7", 0))
    assert same(state_of(store, VAN), folded(VAN, history)), "a kill between two parts leaves a state that is right"
    rest = list(parts)
    assert rest
    assert rest[-1].news["van7"].at_ms == rows[-1].at_ms
    for part in rest:
        store.commit(part)
    assert not folding.late()
    assert same(folding.lives["van7"].base, folded(VAN, history))
    assert same(state_of(store, VAN), folded(VAN, history))


def test_whoever_asks_hears_the_newest_though_most_readings_are_no_news(tmp_path: Path) -> None:
    """With whatever many readings to a commit and after a restart, another process reads what the fold came to: its numbers, its anchor, how the
    vehicle is used. The row of the newest is written a few times a day for that, not with every commit."""
    store, rng = SqlLedger(Database(str(tmp_path / "house.db")).open()), random.Random(5)
    store.declare(replace(VAN, initial_state_of_charge_pct=95.0), 0, "test")
    watching, written = SqlLedger(store.database), set()
    rows, commits = list(readings("van7", 800, MINUTE, NOON_MS)), 0
    while rows:
        if not commits or rng.random() < 0.02:
            folding = Folding(store)
            live = folding.load("van7", Batch())
        assert live is not None
        batch, count = Batch(), rng.randint(1, 6)
        for reading in rows[:count]:
            assert folding.fold(live, reading, batch, reading.at_ms)
        rows = rows[count:]
        store.commit(batch)
        with store.database.reading() as connection:
            written.add(connection.exec_driver_sql("SELECT at_ms FROM latest").scalar_one())
        told, newest = watching.latest("van7"), batch.latest["van7"]
        assert told is not None
        assert told[:9] == tuple(pytest.approx(x, abs=0.21) if type(x) is float else x for x in newest[:9])
        assert told.state_of_charge_pct == pytest.approx(newest.state_of_charge_pct, abs=0.006)
        assert (told.anchor, told.details.mode) == (newest.anchor, newest.details.mode)
        commits += 1
    assert 3 <= len(written) <= commits / 4


def test_a_checkpoint_of_another_version_is_not_needed() -> None:
    """Bytes that this version cannot read are passed over: the history tells it all."""
    store = MemoryStore(VAN)
    rows = [Reading("van7", NOON_MS + i * MINUTE, round(12.6 - i / 1000, 3), -1.0) for i in range(50)]
    filled(store, rows)
    store.checkpoints["van7"] = [Checkpoint("van7", NOON_MS + 20 * MINUTE, b"[0, 1, 2]")]
    live = Folding(store).load("van7", Batch())
    assert live is not None
    assert same(live.base, folded(VAN, rows))


def test_a_reading_older_than_any_checkpoint_is_kept_and_moves_nothing() -> None:
    """After more than forty days it is kept in history, but a state is never folded again from less than its whole past."""
    store = MemoryStore(VAN)
    folding = filled(store, [Reading("van7", NOON_MS, 12.6, -1.0)])
    live, batch = folding.lives["van7"], Batch()
    folding.keep_late(live, Reading("van7", NOON_MS - MOST_LATE_MS - 1, 12.9, 0.0), batch)
    assert len(batch.kept) == 1
    assert not folding.late()
    folding.keep_late(live, Reading("van7", NOON_MS - MOST_LATE_MS + 1, 12.9, 0.0), batch)
    assert folding.late() == ["van7"]


async def test_an_input_that_cannot_be_judged_is_set_aside() -> None:
    """Something that makes the analytics fail is a dead letter with the kind of failure; the next reading is kept."""
    clock, store = HandClock(), MemoryStore(VAN)
    source = HandSource(clock)
    async with running(store, clock, source) as pipeline:
        source.give(Reading("van7", NOON_MS - 1000, None))  # type: ignore[arg-type]
        source.send(message(NOON_MS))
        await until(lambda: len(source.acknowledged) == 2)
        assert pipeline.counters.rejected == {"could not be judged: TypeError": 1}
    assert len(store.history) == 1
    assert same(state_of(store, VAN), folded(VAN, list(store.readings("van7", 0))))


async def test_a_card_that_is_really_full_stops_nothing_and_recovers(tmp_path: Path) -> None:
    """SQLite itself says that the disk is full: nothing is acknowledged, it is said, and with room again everything is kept once."""
    clock = HandClock()
    ledger = SqlLedger(Database(str(tmp_path / "house.db")).open())
    ledger.declare(VAN, 0, "test")
    source = HandSource(clock)
    with ledger.database.alone() as connection:
        (pages,) = connection.execute("PRAGMA page_count").fetchone()
        connection.execute(f"PRAGMA max_page_count={pages}")
    async with running(ledger, clock, source) as pipeline:
        rows = [message(NOON_MS - 4_000_000 + i * 1000, n=i) for i in range(4000)]
        source.send_all(rows)
        await until(lambda: pipeline.counters.commit_failures >= 1)
        assert "no room to write" in pipeline.counters.last_failure
        assert source.acknowledged == []
        with ledger.database.alone() as connection:
            connection.execute("PRAGMA max_page_count=100000")
        await until(lambda: len(source.acknowledged) == 4000, clock)
        assert pipeline.counters.last_failure == ""
    assert len(list(ledger.readings("van7", 0))) == 4000
    assert same(state_of(ledger, VAN), folded(VAN, list(ledger.readings("van7", 0))))
    ledger.database.close()
