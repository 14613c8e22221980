"""Roll-ups and letting go: exactly once, tolerant of late readings, and a reader cannot tell the difference."""

import time
from contextlib import suppress
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.batch import Batch
from api import rollup
from api.database import Database, DatabaseFull
from api.history.memory import MemoryHistory
from api.history.sql import SqlHistory, insert
from api.ledger import SqlLedger
from api.ports import Columns
from api.upkeep import RetentionSettings, Upkeep
from tests.contracts.test_history import pair
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
T0 = 1_790_000_000_000 // DAY * DAY


def roll_all(database: Database, now_ms: int) -> None:  # noqa: F811
    """Until nothing is left to do."""
    while rollup.roll(database, now_ms, at_once=500):
        pass


def count(database: Database, table: str) -> int:  # noqa: F811
    """Rows of a table."""
    with database.reading() as connection:
        return int(connection.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar_one())


def rows(database: Database, table: str) -> list[tuple[object, ...]]:  # noqa: F811
    """A roll-up table, in order."""
    with database.reading() as connection:
        return [tuple(row) for row in connection.exec_driver_sql(f"SELECT * FROM {table} ORDER BY battery, at_ms")]


def test_rolled_up_reads_as_before(database: Database) -> None:  # noqa: F811
    """Whatever the width, the answer from roll-ups equals the answer from the readings, finished hours and fresh ones together."""
    random, memory, sql = Random(7), MemoryHistory(), SqlHistory(database)
    pairs = [
        pair("van", T0 + i * 7_000 + random.randrange(5000), 12 + random.random(), random.choice([None, -random.random() * 40]), random.uniform(20, 99),
             random.choice(["resting", "bulk"]), temperature_c=random.choice([None, 15.0, -3.5]))
        for i in range(12_000)
    ]  # fmt: skip
    memory.keep(pairs)
    sql.keep(pairs)
    roll_all(database, T0 + 20 * HOUR)
    assert count(database, "history_minute") > 0
    for begin, end, points in [
        (0, 24 * HOUR, 100),
        (0, 24 * HOUR, 24),
        (0, 24 * HOUR, 7),
        (HOUR // 2, 22 * HOUR, 100),
        (5 * MINUTE, 21 * HOUR, 300),
        (18 * HOUR, 24 * HOUR, 50),
    ]:
        assert sql.read("van", T0 + begin, T0 + end, points) == memory.read("van", T0 + begin, T0 + end, points)


def test_late_readings_are_counted_once(database: Database) -> None:  # noqa: F811
    """Late and doubled readings, rolled up in any number of rounds, give the same roll-ups as all at once in order."""
    random, sql = Random(8), SqlHistory(database)
    pairs = [pair("van", T0 + i * 5_000, 12 + i % 9 / 10) for i in range(3 * 720)]
    shuffled = random.sample(pairs, len(pairs))
    for at in range(0, len(shuffled), 300):
        sql.keep(shuffled[at : at + 350])
        roll_all(database, T0 + DAY)
    assert sum(row[2] for row in rows(database, "history_hour")) == len(pairs)  # type: ignore[misc]
    once = rows(database, "history_minute"), rows(database, "history_hour")
    sql.keep(pairs)
    roll_all(database, T0 + DAY)
    assert (rows(database, "history_minute"), rows(database, "history_hour")) == once


def test_an_hour_is_rolled_up_when_it_is_over(database: Database) -> None:  # noqa: F811
    """The hour that runs is left alone; nothing to do writes nothing."""
    SqlHistory(database).keep([pair("van", T0 + i * MINUTE) for i in range(90)])
    assert rollup.roll(database, T0 + 90 * MINUTE) == 1
    assert rollup.roll(database, T0 + 90 * MINUTE) == 0
    before = database.commits
    assert rollup.roll(database, T0 + 90 * MINUTE) == 0
    assert database.commits == before
    assert count(database, "history_hour") == 1


def test_what_is_let_go_still_shows(database: Database) -> None:  # noqa: F811
    """After raw readings are let go, their minutes and hours tell; readings that come late for that time are added, once."""
    sql, memory = SqlHistory(database), MemoryHistory()
    pairs = [pair("van", T0 + i * 15_000, 12 + i % 9 / 10) for i in range(4 * 5760)]
    late = [pair("van", T0 + 100 * MINUTE + i * 1000 + 1, 14.0) for i in range(5)]
    sql.keep(pairs)
    memory.keep([*pairs, *late])
    roll_all(database, T0 + 4 * DAY)
    while rollup.let_go(database, 1, T0 + 2 * DAY, T0 + 2 * DAY, at_once=2000):
        pass
    assert count(database, "history") == 2 * 5760
    assert next(sql.readings("van", 0)).at_ms == T0 + 2 * DAY
    sql.keep(late)
    roll_all(database, T0 + 4 * DAY)
    assert count(database, "history") == 2 * 5760
    for points in (4, 48, 95):
        got, expected = sql.read("van", T0, T0 + 4 * DAY, points), memory.read("van", T0, T0 + 4 * DAY, points)
        assert got == expected
    assert rollup.let_minutes_go(database, 1, T0 + DAY) == 24
    assert sql.read("van", T0, T0 + 4 * DAY, 95) == memory.read("van", T0, T0 + 4 * DAY, 95)
    fine = sql.read("van", T0, T0 + 2 * DAY, 1000)
    assert len(fine.time_ms) <= 1000
    assert max(v for v in fine.values["voltage_v_max"] if v is not None) == 14.0


def test_sparse_readings_are_kept_as_long_as_minutes(database: Database) -> None:  # noqa: F811
    """A reading a minute gets no minutes: they would be no fewer and longer. It is kept as long as minutes are, then only its hour."""
    sql, memory = SqlHistory(database), MemoryHistory()
    pairs = [pair("van", T0 + i * MINUTE, 12 + i % 9 / 10) for i in range(2 * 1440)]
    late = [pair("van", T0 + 100 * MINUTE + i * 1000 + 1, 14.0) for i in range(5)]
    sql.keep(pairs)
    memory.keep([*pairs, *late])
    roll_all(database, T0 + 4 * DAY)
    assert count(database, "history_minute") == 0
    assert rollup.let_go(database, 1, T0 + DAY, T0) == 0
    while rollup.let_go(database, 1, T0 + DAY, T0 + DAY):
        pass
    assert count(database, "history") == 1440
    sql.keep(late)
    roll_all(database, T0 + 4 * DAY)
    assert sql.read("van", T0, T0 + 2 * DAY, 48) == memory.read("van", T0, T0 + 2 * DAY, 48)
    assert sql.read("van", T0 + DAY, T0 + 2 * DAY, 2000) == memory.read("van", T0 + DAY, T0 + 2 * DAY, 2000)


@given(st.lists(st.integers(0, 6 * HOUR - 1), min_size=1, max_size=80, unique=True), st.integers(0, 6), st.data())
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
def test_counts_and_sums_are_exact_whatever_comes_when(
    tmp_path_factory: pytest.TempPathFactory, times: list[int], gone_h: int, data: st.DataObject
) -> None:
    """Readings in any order, roll-ups and letting go at any moment between: in the end every reading is in exactly one hour's count and sum."""
    order = data.draw(st.permutations(times))
    with Database(str(tmp_path_factory.mktemp("db") / "x.db"), synchronous="NORMAL") as database:  # noqa: F811
        sql = SqlHistory(database)
        for n, at in enumerate(order):
            sql.keep([pair("van", T0 + at, 12 + at % 97 / 1000)])
            if n % 7 == 3:
                roll_all(database, T0 + 7 * HOUR)
            if n == len(order) // 2:
                while rollup.let_go(database, 1, T0 + gone_h * HOUR, T0 + gone_h * HOUR):
                    pass
        roll_all(database, T0 + 8 * HOUR)
        hours = rows(database, "history_hour")
        expected: dict[int, list[int]] = {}
        for at in times:
            expected.setdefault(T0 + at - at % HOUR, []).append(12_000 + at % 97)
        assert [(row[1], row[2], row[5], row[6], row[7]) for row in hours] == [
            (hour, len(mv), sum(mv), min(mv), max(mv)) for hour, mv in sorted(expected.items())
        ]
        assert [row[8] for row in hours] == [
            12_000 + max(at for at in times if T0 + at - at % HOUR == hour) % 97 for hour in sorted(expected)
        ]


def columns_of(path: Path, from_ms: int, to_ms: int) -> Columns:
    """What a fresh process reads."""
    with Database(str(path)) as opened:
        return SqlHistory(opened).read("van", from_ms, to_ms, 100)


def test_a_full_disk_makes_room_and_goes_on(tmp_path: Path) -> None:
    """When the file may not grow any more, a commit fails whole and says so; upkeep lets old readings go early, and the commit succeeds."""
    said: list[str] = []
    path = tmp_path / "small.db"
    now, clock = T0 + 60 * DAY, T0
    with Database(str(path), synchronous="NORMAL", max_pages=260) as database:  # noqa: F811
        ledger = SqlLedger(database)
        upkeep = Upkeep(database, RetentionSettings(raw_days=400), lambda: clock, said.append)
        at, kept, refused = T0, 0, 0
        while at < now:
            batch = Batch(kept=[pair("van", at + i * 120_000) for i in range(500)])
            try:
                ledger.commit(batch)
            except DatabaseFull:
                refused += 1
                assert refused < 20
                before = sum(1 for _ in ledger.readings("van", at))
                assert before == 0
                clock = at
                upkeep.work()
                continue
            kept += 500
            at += 500 * 120_000
        assert refused > 0
        assert "The disk is full: of readings older than 30 days" in " ".join(said)
        clock = now + 2 * DAY
        for _ in range(5):
            upkeep.work()
        assert sum(row[2] for row in rows(database, "history_hour")) == kept  # type: ignore[misc]
        assert next(ledger.readings("van", 0)).at_ms < now - 7 * DAY
        assert not database.full
    assert len(columns_of(path, T0, now).time_ms) > 40


def test_a_full_disk_with_nothing_to_let_go_is_said(tmp_path: Path) -> None:
    """If even the oldest readings are fresh, nothing is thrown away and the owner is told to make room."""
    said: list[str] = []
    with Database(str(tmp_path / "small.db"), max_pages=260) as database:  # noqa: F811
        SqlHistory(database).keep([pair("van", T0 + i * MINUTE) for i in range(100)])
        assert not Upkeep(database, RetentionSettings(), lambda: T0 + DAY, said.append).make_room(T0 + DAY)
        assert count(database, "history") == 100
    assert said == ["The disk is full and nothing is left that may be let go: make room, or readings wait where they come from."]


def test_upkeep_runs_by_itself_and_stops(database: Database) -> None:  # noqa: F811
    """Started, it rolls up and lets go without being called."""
    SqlHistory(database).keep([pair("van", T0 + i * HOUR) for i in range(24 * 20)])
    upkeep = Upkeep(database, RetentionSettings(raw_days=7, minute_days=7), lambda: T0 + 20 * DAY)
    upkeep.start()
    assert upkeep.alive()
    while count(database, "history") > 24 * 7:
        time.sleep(0.05)
    upkeep.stop()
    assert not upkeep.alive()
    assert count(database, "history") == 24 * 7
    assert count(database, "history_hour") >= 24 * 20 - 1


def test_a_mark_is_made_again_after_a_failed_commit_and_after_a_roll_up(database: Database) -> None:  # noqa: F811
    """An hour is marked with its first reading only; neither a transaction that was undone nor a roll-up leaves it unmarked for the next."""
    sql, undone = SqlHistory(database), RuntimeError("undone")
    sql.keep([pair("van", T0 - HOUR, 12.0)])
    with suppress(RuntimeError), database.writing() as connection:
        insert(connection, [pair("van", T0, 12.0)], {"van": 1})
        raise undone
    sql.keep([pair("van", T0, 12.0), pair("van", T0 + 1, 12.1)])
    roll_all(database, T0 + 2 * HOUR)
    assert [row[2] for row in rows(database, "history_hour")] == [1, 2]
    sql.keep([pair("van", T0 + 2, 12.2)])
    sql.keep([pair("van", T0 + 3, 12.3)])
    roll_all(database, T0 + 2 * HOUR)
    assert [row[2] for row in rows(database, "history_hour")] == [1, 4]
