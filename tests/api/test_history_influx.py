"""InfluxDB as a second history: what the wire carries, each way it can fail, and that readings wait in our own database meanwhile."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.assessment import Assessment, Details
from analytics.batch import Batch
from analytics.reading import Reading
from api.database import Database
from api.history.forward import Forwarder, mark, mark_all
from api.history.influx import AT_ONCE, InfluxHistory, escaped, line
from api.history.influx_server import HistoryAway, HistoryRefused
from api.history.influx_settings import InfluxSettings
from api.ledger import SqlLedger
from tests.databases import database, postgres_url  # noqa: F401 - fixtures
from tests.fakes.influx_server import InfluxDouble

T0 = 1_790_000_000_000
MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000


@pytest.fixture
def double() -> Iterator[InfluxDouble]:
    """A server of our own."""
    with InfluxDouble() as running:
        yield running


@pytest.fixture
def history(double: InfluxDouble, tmp_path: Path) -> Iterator[InfluxHistory]:
    """The history on it."""
    (tmp_path / "token").write_text(double.token + "\n")
    made = InfluxHistory(settings_of(double, tmp_path), lambda: T0)
    yield made
    made.server.close()


def settings_of(double: InfluxDouble, folder: Path, **more: object) -> InfluxSettings:
    return InfluxSettings.model_validate({"url": double.url, "org": double.org, "token_file": folder / "token", "timeout_s": 10, **more})


def pairs(count: int, battery_id: str = "van", step_ms: int = MINUTE, volts: float = 12.6) -> list[tuple[Reading, Assessment]]:
    made = []
    for n in range(count):
        at_ms = T0 + n * step_ms
        about = Assessment(battery_id, at_ms, volts, -1.0, 15.0, 80.0, 75.0, 85.0, "resting", None, Details(0))
        made.append((Reading(battery_id, at_ms, volts, -1.0, 15.0, sequence=n), about))
    return made


# --- the wire


def test_a_line_holds_what_was_measured_and_nothing_else() -> None:
    """The line protocol of a reading: integers with their `i`, no field for what is None, nanoseconds with the sequence in them."""
    row = (0, T0, 7, 12600, None, None, None, 8000, 0)
    assert (
        line("van", row)
        == f"reading,battery=van voltage_mv=12600i,soc_cpct=8000i,belief=0i,low_cpct=8000i,high_cpct=8000i,phase=0i,sequence=7i {T0}000007"
    )


def test_what_means_something_in_a_tag_is_escaped() -> None:
    """Comma, equals sign and space, as the line protocol's page on special characters says; a line break and a backslash at the end are refused."""
    assert escaped(r"a,b=c d\e") == r"a\,b\=c\ d\e"
    for wrong in ("a\nb", "a\\", ""):
        with pytest.raises(ValueError, match="expected one line"):
            escaped(wrong)


@given(st.text(min_size=1, max_size=40).filter(lambda text: not {"\n", "\r"} & {*text} and text[-1] != "\\"))
def test_an_escaped_tag_ends_where_it_should(text: str) -> None:
    """Whatever the id, no comma, equals sign or space of it stands bare, so that it cannot become another tag or field."""
    assert not re.search(r"(?<!\\)[,= ]", escaped(text))
    assert re.sub(r"\\([,= ])", r"\1", escaped(text)) == text


def test_ids_with_special_characters_come_back(history: InfluxHistory) -> None:
    """A battery whose id needs escaping in a line and quoting in a question is kept apart and found again."""
    for battery_id in ('van "7"', "a,b=c d", '" or true //', "größe"):
        history.keep(pairs(2, battery_id))
        assert [r.battery_id for r in history.readings(battery_id, 0)] == [battery_id] * 2
        assert history.last_ms(battery_id) == T0 + MINUTE


def test_large_batches_are_sent_in_parts(history: InfluxHistory, double: InfluxDouble) -> None:
    """No request holds more lines than the makers advise."""
    history.keep(pairs(AT_ONCE + 1, step_ms=1000))
    assert double.writes == [AT_ONCE, 1]
    assert sum(1 for _ in history.readings("van", 0)) == AT_ONCE + 1


# --- each way it can fail


@pytest.mark.parametrize("status", [500, 502, 503, 504, 429])
def test_a_server_that_cannot_now_is_away(history: InfluxHistory, double: InfluxDouble, status: int) -> None:
    """Overload and faults of the server raise HistoryAway with the status, and with the time to wait where the server says so."""
    double.refuse = [(status, {"Retry-After": "7"})]
    with pytest.raises(HistoryAway, match=str(status)) as told:
        history.last_ms("van")
    assert told.value.retry_after_s == 7
    history.keep(pairs(1))
    assert history.last_ms("van") == T0


@pytest.mark.parametrize("status", [401, 403])
def test_a_refused_token_is_said_without_showing_it(history: InfluxHistory, double: InfluxDouble, tmp_path: Path, status: int) -> None:
    """The message names the server and the file of the token, never the token."""
    double.refuse = [(status, {})]
    with pytest.raises(HistoryAway, match=r"refuses the token in .*token") as told:
        history.last_ms("van")
    assert double.token not in str(told.value)
    (tmp_path / "token").write_text("wrong")
    with pytest.raises(HistoryAway, match="refuses the token"):
        InfluxHistory(settings_of(double, tmp_path), lambda: T0).last_ms("van")


def test_a_bucket_that_does_not_exist_says_what_to_run(double: InfluxDouble, tmp_path: Path) -> None:
    """Writing to and reading from a missing bucket name it and the command that makes it."""
    (tmp_path / "token").write_text(double.token)
    history = InfluxHistory(settings_of(double, tmp_path, bucket="nowhere"), lambda: T0)
    with pytest.raises(HistoryAway, match=r"bucket 'nowhere': run `restvolt init-history`"):
        history.last_ms("van")
    history.server.close()


def test_a_dead_server_is_away(history: InfluxHistory, double: InfluxDouble) -> None:
    """No connection raises HistoryAway in words; when it answers again all is as it was."""
    history.keep(pairs(1))
    double.stop()
    with pytest.raises(HistoryAway, match="does not answer"):
        history.last_ms("van")
    double.start()
    assert history.last_ms("van") == T0


def test_a_token_file_that_is_missing_is_said(double: InfluxDouble, tmp_path: Path) -> None:
    """The file is named."""
    with pytest.raises(HistoryAway, match=r"cannot be read from .*token"):
        InfluxHistory(settings_of(double, tmp_path), lambda: T0).last_ms("van")


def test_what_is_too_large_is_halved_until_it_passes(history: InfluxHistory, double: InfluxDouble) -> None:
    """413 for a large request: the same lines come in smaller ones, none is lost."""
    double.largest_bytes = 1500
    history.keep(pairs(500))
    assert max(double.writes) < 500
    assert sum(double.writes) == 500


def test_one_line_that_is_refused_does_not_hold_back_the_others_before_it(history: InfluxHistory, double: InfluxDouble) -> None:
    """400 for a batch: it is halved down to the line that is refused, which is shown; the lines before it are there."""
    double.refuse = [(400, {})] * 3
    with pytest.raises(HistoryRefused, match="reading,battery=van voltage_mv=12600i"):
        history.write("van", [(0, T0 + n, n, 12600, None, None, None, None, 8) for n in range(4)])
    double.refuse = []
    history.write("van", [(0, T0 + n, n, 12600, None, None, None, None, 8) for n in range(4)])
    assert sum(1 for _ in history.readings("van", 0)) == 4


# --- buckets and tasks


def test_init_makes_buckets_and_tasks_once(double: InfluxDouble, tmp_path: Path) -> None:
    """The first run makes them, the second finds nothing to do, a changed retention changes the bucket and nothing else."""
    (tmp_path / "token").write_text(double.token)
    double.buckets.clear()
    server = InfluxHistory(settings_of(double, tmp_path, raw_days=30), lambda: T0).server
    said = server.init()
    assert double.retention == {"readings": 30 * 86_400, "readings_hours": 0}
    assert len(double.tasks) == 2
    assert len(said) == 4
    assert server.init() == []
    server.close()
    longer = InfluxHistory(settings_of(double, tmp_path, raw_days=90), lambda: T0).server
    assert longer.init() == ["bucket readings is kept 90 days from now on"]
    longer.close()


def test_after_raw_readings_are_gone_the_hours_tell(double: InfluxDouble, tmp_path: Path) -> None:
    """With readings kept for ten days, a stretch of twenty shows the first ten by their hours: extremes and means as before."""
    (tmp_path / "token").write_text(double.token)
    now_ms = T0 + 20 * DAY
    history = InfluxHistory(settings_of(double, tmp_path, raw_days=10), lambda: now_ms)
    history.server.init()
    made = [(r._replace(voltage_v=12.0 + (n % 7) / 10), a) for n, (r, a) in enumerate(pairs(20 * 24 * 4, step_ms=15 * MINUTE))]
    history.keep(made)
    double.run_tasks()
    whole = InfluxHistory(settings_of(double, tmp_path), lambda: now_ms)
    before = whole.read("van", T0 - T0 % DAY, now_ms, 40)
    raw = double.buckets["readings"]
    for key in [key for key in raw if key[2] < (now_ms - 10 * DAY) * 10**6]:
        del raw[key]
    after = history.read("van", T0 - T0 % DAY, now_ms, 40)
    assert after == before
    history.server.close()
    whole.server.close()


# --- the queue in our own database


def forwarded(opened: Database, history: InfluxHistory, said: list[str] | None = None) -> tuple[SqlLedger, Forwarder, list[int]]:
    ledger, clock = SqlLedger(opened), [T0]
    ledger.mark_unsent = mark
    return ledger, Forwarder(opened, history, lambda: clock[0], [].append if said is None else said.append), clock


def test_committed_readings_arrive_and_are_forgotten(database: Database, history: InfluxHistory) -> None:  # noqa: F811
    """What was committed is in the second history exactly as in ours, and nothing waits any more."""
    ledger, forwarder, _ = forwarded(database, history)
    ledger.commit(Batch(kept=pairs(300) + pairs(50, "other")))
    while forwarder.work():
        pass
    for battery_id in ("van", "other"):
        assert list(history.readings(battery_id, 0)) == list(ledger.readings(battery_id, 0))
        assert history.read(battery_id, T0, T0 + DAY, 10) == ledger.history.read(battery_id, T0, T0 + DAY, 10)
    assert forwarder.waiting() == 0
    assert forwarder.part().works


def test_only_what_is_new_is_sent(database: Database, history: InfluxHistory, double: InfluxDouble) -> None:  # noqa: F811
    """A reading a minute costs one line a minute, not the whole hour again."""
    ledger, forwarder, _ = forwarded(database, history)
    made = pairs(20)
    for one in made:
        ledger.commit(Batch(kept=[one]))
        forwarder.work()
    assert double.writes == [1] * 20


def test_a_new_belief_of_an_old_reading_is_sent_again(database: Database, history: InfluxHistory) -> None:  # noqa: F811
    """Late readings change what was believed: the second history follows."""
    ledger, forwarder, _ = forwarded(database, history)
    ledger.commit(Batch(kept=pairs(3)))
    forwarder.work()
    ledger.commit(Batch(refolded=[(r, a._replace(state_of_charge_pct=50.0, charge_phase="float")) for r, a in pairs(3)]))
    forwarder.work()
    assert history.read("van", T0, T0 + DAY, 10).values["state_of_charge_pct"] == [50.0] * 3
    assert history.read("van", T0, T0 + DAY, 10) == ledger.history.read("van", T0, T0 + DAY, 10)


@pytest.mark.parametrize("trouble", ["dead", "token", "busy", "bucket"])
def test_readings_wait_while_the_server_cannot(
    database: Database,  # noqa: F811
    history: InfluxHistory,
    double: InfluxDouble,
    trouble: str,
) -> None:
    """Whatever the trouble: readings are committed, wait in our database, health says why, and all arrives once it is over."""
    said: list[str] = []
    ledger, forwarder, _ = forwarded(database, history, said)
    points, token = double.buckets["readings"], double.token
    if trouble == "dead":
        double.stop()
    elif trouble == "token":
        double.token = "another"
    elif trouble == "busy":
        double.refuse = [(503, {"Retry-After": "1"})] * 3
    else:
        del double.buckets["readings"]
    for one in pairs(3):
        ledger.commit(Batch(kept=[one]))
        assert not forwarder.work()
    part = forwarder.part()
    assert not part.works
    assert not part.needed
    assert "Readings wait" in part.says
    assert len(said) == 1
    assert forwarder.waiting() > 0
    double.token, double.buckets["readings"] = token, points
    if trouble == "dead":
        double.start()
    forwarder.work()
    assert list(history.readings("van", 0)) == list(ledger.readings("van", 0))
    assert forwarder.part().works


def test_a_refused_reading_holds_back_no_other_hour(database: Database, history: InfluxHistory, double: InfluxDouble) -> None:  # noqa: F811
    """The hour with the refused line waits and is said; the others arrive; an hour later it is tried again."""
    said: list[str] = []
    ledger, forwarder, clock = forwarded(database, history, said)
    ledger.commit(Batch(kept=pairs(3, step_ms=HOUR)))
    double.refuse = [(400, {})]
    forwarder.work()
    assert sum(1 for _ in history.readings("van", 0)) == 2
    assert forwarder.waiting() == 1
    assert not forwarder.part().works
    forwarder.work()
    assert forwarder.waiting() == 1
    clock[0] += HOUR
    forwarder.work()
    assert list(history.readings("van", 0)) == list(ledger.readings("van", 0))
    assert forwarder.part().works
    assert len(said) == 1


def test_an_hour_that_changed_while_it_was_sent_is_sent_again(database: Database, history: InfluxHistory) -> None:  # noqa: F811
    """A commit between reading an hour and forgetting its mark is not lost."""
    ledger = SqlLedger(database)
    ledger.mark_unsent = mark
    made = pairs(2)

    class Slow:
        """Commits another reading while it writes."""

        def write(self, battery_id: str, rows: list[tuple[int, ...]]) -> None:
            history.write(battery_id, rows)  # type: ignore[arg-type]
            if len(rows) == 1 and rows[0][1] == T0:
                ledger.commit(Batch(kept=[made[1]]))

    ledger.commit(Batch(kept=[made[0]]))
    forwarder = Forwarder(database, Slow(), lambda: T0)  # type: ignore[arg-type]
    forwarder.work()
    assert forwarder.waiting() == 1
    forwarder.work()
    assert forwarder.waiting() == 0
    assert list(history.readings("van", 0)) == [reading for reading, _ in made]


def test_of_two_processes_one_sends(database: Database, history: InfluxHistory, double: InfluxDouble) -> None:  # noqa: F811
    """While one process sends, another leaves it alone; after the first has been silent for its lease the other goes on."""
    ledger, first, clock = forwarded(database, history)
    second = Forwarder(database, history, lambda: clock[0])
    ledger.commit(Batch(kept=pairs(1)))
    first.work()
    ledger.commit(Batch(kept=pairs(2)[1:]))
    second.work()
    assert len(double.writes) == 1
    clock[0] += 60_000
    second.work()
    assert len(double.writes) == 2


def test_a_history_that_begins_empty_gets_everything(database: Database, history: InfluxHistory) -> None:  # noqa: F811
    """Readings of the time before the second history was switched on are marked by one call and arrive."""
    ledger = SqlLedger(database)
    ledger.commit(Batch(kept=pairs(200)))
    assert mark_all(database) == len({reading.at_ms // HOUR for reading, _ in pairs(200)})
    forwarder = Forwarder(database, history, lambda: T0)
    while forwarder.work():
        pass
    assert list(history.readings("van", 0)) == list(ledger.readings("van", 0))


def test_the_thread_sends_by_itself_and_ends(database: Database, history: InfluxHistory) -> None:  # noqa: F811
    """Started, it sends what is there; stopped, it is gone."""
    ledger, forwarder, _ = forwarded(database, history)
    ledger.commit(Batch(kept=pairs(5)))
    forwarder.start()
    try:
        for _ in range(200):
            if forwarder.sent == 5:
                break
            forwarder._stopping.wait(0.05)
    finally:
        forwarder.stop()
    assert forwarder.sent == 5
    assert not forwarder._thread.is_alive()
