"""Two workers on one database: only the one that claimed a battery last can write for it, and the other ends."""

import json
import zlib

import pytest
from sqlalchemy import text

from analytics import keep
from analytics.assessment import AlertEvent, Assessment, Details, Finding
from analytics.batch import Batch, Checkpoint
from analytics.battery import Battery
from analytics.reading import Note, Reading
from api.database import Database, DatabaseNewer
from api.fencing import FencedLedger
from api.ledger import Fenced, SqlLedger
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

T0 = 1_790_000_000_000


def believed(battery_id: str, at_ms: int) -> Assessment:
    return Assessment(battery_id, at_ms, 12.6, None, None, 80.0, 75.0, 85.0, "resting", None, Details(0))


def batch(battery_id: str, at_ms: int, state: bytes = b"{}") -> Batch:
    about = believed(battery_id, at_ms)
    return Batch(
        kept=[(Reading(battery_id, at_ms, 12.6), about)], news={battery_id: about}, checkpoints=[Checkpoint(battery_id, at_ms, state)]
    )


def workers(opened: Database, *ids: str) -> tuple[FencedLedger, FencedLedger, list[str]]:
    ledger, died = SqlLedger(opened), list[str]()
    for battery_id in ids:
        ledger.declare(Battery(battery_id, "agm", 95.0), 0, "test")
    return FencedLedger(ledger, died.append), FencedLedger(SqlLedger(opened), died.append), died


def test_a_worker_begins_with_no_battery(database: Database) -> None:  # noqa: F811
    """Nothing is claimed at a start, however many are declared; asking for one claims that one."""
    one, _, _ = workers(database, "a", "b")
    assert one.batteries() == []
    assert one.battery("a") == Battery("a", "agm", 95.0)
    assert [battery.id for battery in one.batteries()] == ["a"]
    assert one.claimed == 1


def test_a_battery_that_nobody_declared_is_not_claimed(database: Database) -> None:  # noqa: F811
    """Asking for it gives None and leaves no trace."""
    one, _, _ = workers(database)
    assert one.battery("stranger") is None
    assert one.claimed == 0


def test_only_the_last_to_claim_can_write(database: Database) -> None:  # noqa: F811
    """The first worker's commit after the second's claim keeps nothing at all and ends that worker; the second writes on."""
    one, two, died = workers(database, "a", "b")
    one.battery("a")
    one.battery("b")
    one.commit(batch("a", T0))
    two.battery("a")
    mixed = batch("a", T0 + 2, b"old")
    mixed.kept += batch("b", T0 + 2).kept
    with pytest.raises(Fenced, match="another worker has taken it over"):
        one.commit(mixed)
    assert len(died) == 1
    assert "battery a" in died[0]
    two.commit(batch("a", T0 + 1, b"new"))
    assert [r.at_ms for r in two.readings("a", 0)] == [T0, T0 + 1]
    assert list(two.readings("b", 0)) == []
    assert two.resume("a") == (T0 + 1, b"new")


def test_a_claim_of_one_battery_leaves_the_others(database: Database) -> None:  # noqa: F811
    """A worker that lost one battery could still write for another: fences are compared for what a batch touches only."""
    one, two, died = workers(database, "a", "b")
    one.battery("a")
    one.battery("b")
    two.battery("a")
    one.commit(batch("b", T0))
    assert died == []
    assert [r.at_ms for r in one.readings("b", 0)] == [T0]


def test_what_a_queue_brought_is_found_again_by_its_next_reader(database: Database) -> None:  # noqa: F811
    """The queue of each battery is remembered, so that a worker that takes over also answers for those that are silent."""
    one, two, _ = workers(database, "a", "b", "c")
    one.partition_of = {"a": "readings-00", "b": "readings-01", "c": "readings-00"}.get
    for battery_id in ("a", "b", "c"):
        one.battery(battery_id)
    assert two.of_partition("readings-00") == ["a", "c"]
    two.battery("a")
    assert two.of_partition("readings-00") == ["c"]
    assert two.of_partition("readings-07") == []


@pytest.mark.parametrize("ahead", [True, False])
def test_an_older_worker_refuses_a_newer_state(database: Database, ahead: bool) -> None:  # noqa: F811
    """A checkpoint of a schema that is still to come ends the worker with the reason, read ahead or alone, and stays as it was."""
    one, two, died = workers(database, "a")
    one.battery("a")
    newer = zlib.compress(json.dumps([keep.SCHEMA + 1, {"of": "another version"}]).encode())
    one.commit(batch("a", T0, newer))
    if ahead:
        two.foresee(["a"])
    two.resume("a")
    assert len(died) == 1
    assert f"a newer Restvolt wrote its state (schema {keep.SCHEMA + 1}, this one reads {keep.SCHEMA})" in died[0]
    assert SqlLedger(database).resume("a") == (T0, newer)


def test_what_is_read_ahead_is_what_is_read_alone(database: Database) -> None:  # noqa: F811
    """Checkpoint, readings after it, notes and alerts of many batteries at once are those of each, and a commit ends what was read ahead."""
    one, two, died = workers(database, "a", "b", "c")
    for battery_id in ("a", "b"):
        one.battery(battery_id)
        one.commit(batch(battery_id, T0, b"state"))
        for n in range(1, 4):
            about = believed(battery_id, T0 + n)
            one.commit(
                Batch(kept=[(Reading(battery_id, T0 + n, 12.6, sequence=n), about)], notes=[Note(battery_id, T0 + n, "check", 12.6)])
            )
    one.commit(Batch(events=[AlertEvent("a:r:1", "a", "r", "began", T0, "high", "so", Finding("r", "high", "t", "", "", "", "", (), ""))]))
    alone = {i: (one.resume(i), list(one.readings(i, T0 + 1)), one.notes(i, T0 + 1), one.alerts(i, active=True)) for i in ("a", "b")}
    two.foresee(["a", "b", "c", "stranger"])
    ahead = {i: (two.resume(i), list(two.readings(i, T0 + 1)), two.notes(i, T0 + 1), two.alerts(i, active=True)) for i in ("a", "b")}
    assert ahead == alone
    assert [r.at_ms for r in ahead["a"][1]] == [T0 + 1, T0 + 2, T0 + 3]
    assert [alert.id for alert in ahead["a"][3]] == ["a:r:1"]
    assert two.resume("c") is None
    assert two.battery("stranger") is None
    assert two.claimed == 3
    two.commit(batch("a", T0 + 9, b"later"))
    assert two.resume("a") == (T0 + 9, b"later")
    assert died == []


def test_an_older_worker_refuses_newer_tables(database: Database) -> None:  # noqa: F811
    """A service that meets tables of a version it does not know says so, and they stay as they are."""
    with database.writing() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    older = Database(database.url)
    with pytest.raises(DatabaseNewer, match="version 9999, this service knows them up to"):
        older.open()
    older.close()
    with database.reading() as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one() == "9999"
