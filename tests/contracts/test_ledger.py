"""The contract of the Ledger, run on SQLite and PostgreSQL: one commit, all or nothing, and keeping again changes nothing."""

import math
from collections.abc import Iterator
from dataclasses import replace

import pytest

from analytics.assessment import AlertEvent, Anchor, Assessment, Details, Due, Finding, Forecast, Learned, Load, Untold
from analytics.batch import Batch, Checkpoint, DeadLetter, Quarantined
from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.gist import Gist
from analytics.reading import Note, Reading
from api.acts import ActRefused
from api.database import Database
from api.execute import execute_each
from api.ledger import Fenced, SqlLedger
from api.ledger_alerts import NoSuchAlert
from api.ports import AlertAct, Message
from tests.databases import database, postgres_url  # noqa: F401 - fixtures

T0 = 1_790_000_000_000
HOUR, DAY = 3_600_000, 86_400_000
FINDING = Finding(
    "low_voltage",
    "medium",
    "Battery low",
    "12.1 V at rest",
    "About 45 % for AGM",
    "Charge today",
    "",
    (("voltage_v", 12.1), ("note", None)),
    "judgement: test",
)
DETAILS = Details(
    T0, "stored", Forecast(50.0, T0 + DAY, None, "charge balance"), Load(0.03, 0.02, 0.04, T0, "current"), (Due("check", T0 + DAY, "monthly"),),
    (Learned("usable_capacity_ah", 95.5, 90.0, 100.0),), (FINDING,), (("hours_low", 3),), (("charger", "mains"),), (("cycles", 1.5),),
)  # fmt: skip


@pytest.fixture
def ledger(database: Database) -> Iterator[SqlLedger]:  # noqa: F811
    """An empty ledger."""
    return SqlLedger(database)


def believed(battery_id: str, at_ms: int, pct: float = 80.0, details: Details = DETAILS) -> Assessment:
    """An assessment with every field filled."""
    return Assessment(
        battery_id, at_ms, 12.6, -1.0, 15.0, pct, pct - 5, pct + 5, "resting", Anchor("rest", at_ms, 70.0, 80.0, 1.5), details
    )


def kept(battery_id: str, *times: int) -> list[tuple[Reading, Assessment]]:
    """Readings at these times with their assessments."""
    return [(Reading(battery_id, at, 12.6, -1.0, 15.0), believed(battery_id, at)) for at in times]


def event(
    kind: str = "began", at_ms: int = T0, priority: str = "medium", began: int = T0, rule: str = "low_voltage", battery_id: str = "van"
) -> AlertEvent:
    """A step in the life of an alert."""
    return AlertEvent(
        f"{battery_id}:{rule}:{began}", battery_id, rule, kind, at_ms, priority, "held for 600 s", FINDING._replace(priority=priority)
    )


def everything() -> Batch:
    """A batch with something of each kind."""
    return Batch(
        kept=kept("van", T0, T0 + 1000),
        events=[event()],
        late_events=[event(began=T0 - DAY, at_ms=T0 - DAY, rule="silent")],
        notes=[Note("van", T0, "check", 12.62, "Ana")],
        checkpoints=[Checkpoint("van", T0 + 1000, b"state")],
        news={"van": believed("van", T0 + 1000)},
        dead_letters=[DeadLetter(T0, "serial:x", "no number", b"\xff\x00")],
        quarantined=[Quarantined(Reading("van", T0 + 400 * DAY, 12.5, boot_id="b", monotonic_ms=5), T0, "future")],
    )


def seen(ledger: SqlLedger) -> tuple[object, ...]:
    """All that a reader of the ledger can see of the batch above."""
    return (
        list(ledger.readings("van", 0)), ledger.alerts(), [ledger.acts(a.id) for a in ledger.alerts()], ledger.notes("van"),
        ledger.resume("van"), ledger.latest("van"), ledger.dead_letters(), ledger.quarantined(), ledger.events_to_tell(),
    )  # fmt: skip


def test_a_batch_comes_back_whole(ledger: SqlLedger) -> None:
    """Everything in a batch can be read afterwards, equal to what was given."""
    ledger.commit(everything())
    assert [r.at_ms for r in ledger.readings("van", 0)] == [T0, T0 + 1000]
    assert {a.id for a in ledger.alerts()} == {f"van:low_voltage:{T0}", f"van:silent:{T0 - DAY}"}
    assert ledger.notes("van") == [Note("van", T0, "check", 12.62, "Ana")]
    assert ledger.resume("van") == (T0 + 1000, b"state")
    assert ledger.latest("van") == believed("van", T0 + 1000)
    assert ledger.latest_of(["van", "nobody"]) == {"van": believed("van", T0 + 1000)}
    assert ledger.last_of(["van", "nobody"]) == {"van": list(ledger.readings("van", 0))[-1]}
    assert ledger.dead_letters() == [DeadLetter(T0, "serial:x", "no number", b"\xff\x00")]
    assert ledger.quarantined() == [Quarantined(Reading("van", T0 + 400 * DAY, 12.5, boot_id="b", monotonic_ms=5), T0, "future")]
    assert [(e, late) for _, e, late in ledger.events_to_tell()] == [
        (event(), False),
        (event(began=T0 - DAY, at_ms=T0 - DAY, rule="silent"), True),
    ]


def test_committing_again_changes_nothing(ledger: SqlLedger) -> None:
    """A batch that is committed again (its acknowledgement was lost) leaves all as it was, except that a dead letter came twice."""
    batch = everything()
    ledger.commit(batch)
    before = seen(ledger)
    again = replace(batch, dead_letters=[])
    ledger.commit(again)
    assert seen(ledger) == before
    other = SqlLedger(ledger.database)
    other.commit(again)
    assert seen(other) == before


def test_a_failing_batch_leaves_nothing(ledger: SqlLedger) -> None:
    """If any part cannot be kept, no part is, and the next batch goes well."""
    bad = replace(everything(), dead_letters=[DeadLetter(T0, "x", "y", None)])  # type: ignore[arg-type]
    before = seen(ledger)
    with pytest.raises(Exception, match=r"NoneType|NOT NULL|subscriptable"):
        ledger.commit(bad)
    assert seen(ledger) == before
    ledger.commit(everything())
    assert len(seen(ledger)[0]) == 2  # type: ignore[arg-type]


def test_refolded_readings_get_their_new_belief(ledger: SqlLedger) -> None:
    """A late reading changes what was believed after it; the readings stay as they came."""
    ledger.commit(Batch(kept=kept("van", T0, T0 + 2000)))
    late = kept("van", T0 + 1000)
    renewed = [(r, believed("van", r.at_ms, 40.0)) for r, _ in kept("van", T0 + 2000)]
    ledger.commit(Batch(kept=late, refolded=renewed))
    columns = ledger.history.read("van", T0, T0 + HOUR, 100)
    assert columns.values["state_of_charge_pct"] == [80.0, 80.0, 40.0]
    assert columns.values["voltage_v"] == [12.6] * 3


def test_an_older_assessment_never_replaces_a_newer(ledger: SqlLedger) -> None:
    """The latest is the latest in time, even when batches come out of order; details follow their assessment."""
    newer, other = DETAILS._replace(mode="in use"), DETAILS._replace(exposure=())
    ledger.commit(Batch(news={"van": believed("van", T0 + 10, details=newer)}))
    ledger.commit(Batch(news={"van": believed("van", T0, details=other)}))
    assert ledger.latest("van") == believed("van", T0 + 10, details=newer)
    ledger.commit(Batch(news={"van": believed("van", T0 + 20, 60.0, details=newer)}))
    ledger.commit(Batch(news={"van": believed("van", T0 + 30, 61.0, details=newer)}))
    assert ledger.latest("van") == believed("van", T0 + 30, 61.0, details=newer)


def test_details_that_tell_nobody_anything_new_wait_for_hours(ledger: SqlLedger) -> None:
    """New details are kept when what a person acts on changed or the row's have served for hours; else those in the row serve, and the numbers
    beside them move all the same."""
    anchor, stored = Anchor("rest", T0, 70.0, 80.0, 1.5), Gist("stored", False, False, None, None)

    def said_after(minute: int, pct: float, gist: Gist | None) -> tuple[float | None, int]:
        at_ms = T0 // DAY * DAY + minute * 60_000
        told = Untold(at_ms, (), lambda: DETAILS._replace(at_ms=at_ms), gist)
        assessment = believed("van", at_ms, pct)._replace(anchor=anchor, told=told)
        ledger.commit(Batch(kept=[(Reading("van", at_ms, 12.6, -1.0, 15.0), assessment)], news={"van": assessment}))
        latest = ledger.latest("van")
        assert latest is not None
        return latest.state_of_charge_pct, (latest.details.at_ms - T0 // DAY * DAY) // 60_000

    assert said_after(5, 80.0, stored) == (80.0, 5)
    assert said_after(20, 70.0, stored) == (70.0, 5)
    assert said_after(30, 70.0, stored._replace(mode="in use")) == (70.0, 30)
    assert said_after(35, 70.0, None) == (70.0, 35)
    assert said_after(40, 70.0, None) == (70.0, 40)
    assert said_after(45, 70.0, stored) == (70.0, 45)
    served = [said_after(45 + 5 * n, 70.0, stored)[1] for n in range(1, 97)]
    assert len(set(served)) == 3  # of eight hours, whenever its turn is


def test_details_of_an_older_version_are_read(ledger: SqlLedger) -> None:
    """Older versions kept the sentences as an eleventh part of the details: it is left aside."""
    ledger.commit(Batch(news={"van": believed("van", T0)}))
    with ledger.database.writing() as connection:
        kept = connection.exec_driver_sql("SELECT details FROM latest").scalar_one()
        execute_each(connection, "UPDATE latest SET details = ?", [(f'{kept[:-1]},["All is well."]]',)])
    assert ledger.latest("van") == believed("van", T0)


def test_a_reading_moves_the_latest_for_whoever_asks(ledger: SqlLedger) -> None:
    """What is believed with a reading is the latest at once, in another process too; so are a new anchor and what time alone changed, while a
    late reading that nobody has judged yet is not."""
    first, other = believed("van", T0), SqlLedger(ledger.database)

    def judged(at_ms: int, pct: float, **moved: object) -> Assessment:
        assessment = believed("van", at_ms, pct)._replace(anchor=first.anchor, voltage_v=12.4, charge_phase="discharging")._replace(**moved)
        reading = Reading("van", at_ms, 12.4, assessment.current_a, assessment.temperature_c)
        ledger.commit(Batch(kept=[(reading, assessment)], news={"van": assessment}))
        return assessment

    ledger.commit(Batch(kept=[(Reading("van", T0, 12.6, -1.0, 15.0), first)], news={"van": first}))
    gap = Anchor("gap", T0 + 30, 78.2, 78.0, 0.1)
    steps = ((79.0, {}), (78.2, {"current_a": None, "temperature_c": None}), (78.0, {"anchor": gap}), (77.0, {"anchor": gap}))
    for nth, (pct, moved) in enumerate(steps, 1):
        assessment = judged(T0 + 10 * nth, pct, **moved)
        ledger.commit(Batch(kept=[(Reading("van", assessment.at_ms + 1, 12.1), _unjudged(assessment.at_ms + 1))]))
        assert ledger.latest("van") == other.latest("van") == assessment
    quiet = assessment._replace(at_ms=T0 + 900_000, voltage_v=None, current_a=None, temperature_c=None, state_of_charge_low_pct=70.123)
    ledger.commit(Batch(news={"van": quiet}))
    assert other.latest_of(["van"]) == {"van": quiet}


def _unjudged(at_ms: int) -> Assessment:
    return Assessment("van", at_ms, 12.1, None, None, None, None, None, "unknown", None, DETAILS)


def test_declarations_are_kept_with_their_history(ledger: SqlLedger) -> None:
    """A changed declaration is the new truth, the old one stays with who and when; the same again is no change."""
    table = ((0.0, 11.6), (50.0, 12.2), (100.0, 12.8))
    first = Battery(
        "van",
        "agm",
        100.0,
        rest_voltage_table=table,
        sensor=Sensor(0.5, 0.01),
        charge_window=ChargeWindow(14.2, 14.6),
        site="Hull",
        owner="Ölaf",
    )
    second = replace(first, rated_capacity_ah=110.0)
    ledger.declare(first, T0, "settings")
    ledger.declare(first, T0 + 1, "settings")
    ledger.declare(second, T0 + 2, "Ana")
    ledger.declare(Battery("b2", "gel", 80), T0, "settings")
    assert ledger.battery("van") == second
    assert ledger.batteries() == [Battery("b2", "gel", 80), second]
    assert ledger.declarations("van") == [(T0, "settings", first), (T0 + 2, "Ana", second)]
    assert ledger.battery("nobody's") is None


def test_readings_of_an_undeclared_battery_are_kept(ledger: SqlLedger) -> None:
    """What came in is never lost for want of a declaration, and an undeclared battery is in no list."""
    ledger.commit(Batch(kept=kept("new", T0)))
    assert [r.at_ms for r in ledger.readings("new", 0)] == [T0]
    assert ledger.batteries() == []


def test_checkpoints_thin_out_with_age(ledger: SqlLedger) -> None:
    """Hourly for a day, daily for 45 days: before any time in reach there is one to begin the fold from, and few in all."""
    step, days, last = 20 * 60_000, 50, T0
    for day in range(days):
        times = [T0 + day * DAY + i * step for i in range(72)]
        last = times[-1]
        ledger.commit(Batch(checkpoints=[Checkpoint("van", at, b"%d" % at) for at in times]))
    assert ledger.resume("van") == (last, b"%d" % last)
    for back_h in (1, 5, 12, 23):
        found = ledger.resume("van", last - back_h * HOUR)
        assert found is not None
        assert last - back_h * HOUR - HOUR <= found[0] < last - back_h * HOUR
        assert found[1] == b"%d" % found[0]
    for back_d in (2, 10, 30, 43):
        found = ledger.resume("van", last - back_d * DAY)
        assert found is not None
        assert last - back_d * DAY - DAY <= found[0] < last - back_d * DAY
    assert ledger.resume("van", last - 47 * DAY) is None
    with ledger.database.reading() as connection:
        count = connection.exec_driver_sql("SELECT count(*) FROM checkpoints").scalar_one()
    assert count <= 25 + 46


def test_a_late_reading_drops_the_checkpoints_after_it(ledger: SqlLedger) -> None:
    """A checkpoint that does not hold a late reading is never resumed from again."""
    for hour in range(6):
        ledger.commit(Batch(kept=kept("van", T0 + hour * HOUR), checkpoints=[Checkpoint("van", T0 + hour * HOUR, b"old")]))
    ledger.commit(Batch(kept=kept("van", T0 + 3 * HOUR - 1), checkpoints=[Checkpoint("van", T0 + 5 * HOUR, b"new")]))
    assert ledger.resume("van") == (T0 + 5 * HOUR, b"new")
    found = ledger.resume("van", T0 + 5 * HOUR)
    assert found is not None
    assert found[0] <= T0 + 2 * HOUR


def test_quarantined_readings_are_released_once(ledger: SqlLedger) -> None:
    """A reading whose time has come leaves quarantine in the same commit that keeps it."""
    ledger.commit(everything())
    (apart,) = ledger.quarantined("van", until_ms=T0 + 400 * DAY)
    assert ledger.quarantined("van", until_ms=T0 + 399 * DAY) == []
    assert ledger.quarantined("other") == []
    ledger.commit(Batch(kept=[(apart.reading, believed("van", apart.reading.at_ms))], released=[apart.reading]))
    assert ledger.quarantined() == []
    assert ledger.history.last_ms("van") == T0 + 400 * DAY


def test_known_readings_are_told_from_late_ones(ledger: SqlLedger) -> None:
    """`has` names exactly the keys that history holds."""
    ledger.commit(Batch(kept=kept("van", T0, T0 + 5)))
    asked = [("van", T0, 0), ("van", T0, 1), ("van", T0 + 1, 0), ("other", T0, 0), ("van", T0 + 5, 0)]
    assert ledger.has(asked) == {("van", T0, 0), ("van", T0 + 5, 0)}


def test_an_alert_lives_and_is_acknowledged(ledger: SqlLedger) -> None:
    """Began, worsened, acknowledged, ended: row, state and history say so; a worse alert must be acknowledged anew."""
    ledger.commit(Batch(events=[event()]))
    alert_id = event().alert_id
    assert ledger.acknowledge(alert_id, T0 + 1, "Ana").state == "acknowledged"
    assert ledger.acknowledge(alert_id, T0 + 2, "Bo").acknowledged_by == "Ana"
    ledger.commit(Batch(events=[event("worsened", T0 + 3, "high")]))
    worse = ledger.alert(alert_id)
    assert worse is not None
    assert (worse.state, worse.priority, worse.finding.priority) == ("unacknowledged", "high", "high")
    ledger.commit(Batch(events=[event("ended", T0 + 4, "high")]))
    ended = ledger.alert(alert_id)
    assert ended is not None
    assert (ended.state, ended.ended_ms) == ("returned unacknowledged", T0 + 4)
    assert ledger.acknowledge(alert_id, T0 + 5, "Bo").state == "normal"
    assert [(a.kind, a.who) for a in ledger.acts(alert_id)] == [
        ("began", "restvolt"), ("acknowledged", "Ana"), ("worsened", "restvolt"), ("ended", "restvolt"), ("acknowledged", "Bo"),
    ]  # fmt: skip


def test_a_shelf_holds_over_a_new_beginning(ledger: SqlLedger) -> None:
    """An alert that begins again while its rule is shelved for its battery is shelved too; with another rule it is not."""
    ledger.commit(Batch(events=[event()]))
    shelved = ledger.shelve(event().alert_id, T0 + 1, T0 + DAY, "Ana", "lamp left on, I know")
    assert (shelved.shelved_until_ms, shelved.shelved_by, shelved.shelved_reason) == (T0 + DAY, "Ana", "lamp left on, I know")
    again, other, after = (
        event(began=T0 + HOUR, at_ms=T0 + HOUR),
        event(began=T0 + HOUR, at_ms=T0 + HOUR, rule="silent"),
        event(began=T0 + 2 * DAY, at_ms=T0 + 2 * DAY),
    )
    ledger.commit(Batch(events=[event("ended", T0 + 2), again, other, after]))
    until = {a.id: a.shelved_until_ms for a in ledger.alerts()}
    assert until == {event().alert_id: T0 + DAY, again.alert_id: T0 + DAY, other.alert_id: None, after.alert_id: None}
    assert ledger.unshelve(again.alert_id, T0 + 2 * HOUR, "Ana").shelved_until_ms is None


def test_out_of_service_is_recorded_and_ends(ledger: SqlLedger) -> None:
    """Out of service has a person, a reason and an end, and can be taken back."""
    ledger.commit(Batch(events=[event()]))
    out = ledger.take_out_of_service(event().alert_id, T0 + 1, T0 + DAY, "Ana", "in the workshop")
    assert (out.out_of_service, out.out_of_service_by, out.state) == (True, "Ana", "unacknowledged")
    assert not ledger.return_to_service(event().alert_id, T0 + 2, "Ana").out_of_service
    assert ledger.acts(event().alert_id)[-2:] == [
        AlertAct(T0 + 1, "out of service", "Ana", "in the workshop"), AlertAct(T0 + 2, "in service", "Ana", "")
    ]  # fmt: skip


def test_impossible_acts_are_refused(ledger: SqlLedger) -> None:
    """An act on no alert, without a name, a reason or an end is refused and leaves no trace."""
    ledger.commit(Batch(events=[event()]))
    alert_id = event().alert_id
    with pytest.raises(NoSuchAlert):
        ledger.acknowledge("no:such:1", T0, "Ana")
    for refused in (
        lambda: ledger.acknowledge(alert_id, T0, "  "),
        lambda: ledger.shelve(alert_id, T0, T0 + 1, "Ana", " "),
        lambda: ledger.shelve(alert_id, T0, T0, "Ana", "why"),
        lambda: ledger.shelve(alert_id, T0, T0 + 91 * DAY, "Ana", "why"),
    ):
        with pytest.raises(ActRefused):
            refused()
    assert len(ledger.acts(alert_id)) == 1


def test_alerts_are_found_page_by_page(ledger: SqlLedger) -> None:
    """Newest first; filters by battery, rule and activity; pages join without a hole or a double."""
    events = [
        event(began=T0 + i // 3, at_ms=T0 + i // 3, battery_id=f"van{i % 3}", rule="silent" if i % 2 else "low_voltage") for i in range(30)
    ]
    ledger.commit(Batch(events=events + [e._replace(kind="ended", at_ms=T0 + HOUR) for e in events[:9]]))
    whole = ledger.alerts()
    assert len(whole) == 30
    assert [a.began_ms for a in whole] == sorted((a.began_ms for a in whole), reverse=True)
    paged, after = [], None
    while page := ledger.alerts(after_id=after, limit=7):
        paged += page
        after = page[-1].id
    assert paged == whole
    assert {a.battery_id for a in ledger.alerts("van1")} == {"van1"}
    assert {a.battery_id for a in ledger.alerts(battery_ids=["van0", "van2"])} == {"van0", "van2"}
    assert len(ledger.alerts(active=True)) == 21
    assert len(ledger.alerts(active=False)) == 9
    assert {a.rule for a in ledger.alerts(rule="silent")} == {"silent"}
    with pytest.raises(NoSuchAlert):
        ledger.alerts(after_id="no:such:1")


def test_told_events_become_deliveries_and_are_tried(ledger: SqlLedger) -> None:
    """An event is told once; its delivery waits until due and keeps what became of each try."""
    ledger.commit(Batch(events=[event()]))
    numbers = [number for number, _, _ in ledger.events_to_tell()]
    message = Message("Battery low", "12.1 V at rest", "medium", event().alert_id, "van")
    ledger.told(numbers, [("ana", message, T0 + 5)])
    assert ledger.events_to_tell() == []
    assert ledger.due(T0 + 4) == []
    (delivery,) = ledger.due(T0 + 5)
    assert (delivery.channel, delivery.message, delivery.tries, delivery.state) == ("ana", message, 0, "waiting")
    ledger.tried(delivery.id, T0 + 6, "waiting", T0 + 100, "no answer")
    assert ledger.due(T0 + 99) == []
    (again,) = ledger.due(T0 + 100)
    assert (again.tries, again.last_error) == (1, "no answer")
    ledger.tried(again.id, T0 + 101, "sent", T0 + 101, None)
    assert ledger.due(T0 + DAY) == []


def test_a_worker_that_lost_its_batteries_cannot_write(ledger: SqlLedger) -> None:
    """Of two workers that believe they own a battery only the one that claimed it last can commit."""
    first, second = SqlLedger(ledger.database), SqlLedger(ledger.database)
    old = first.claim(["van", "b2"])
    first.commit(Batch(kept=kept("van", T0)), old)
    new = second.claim(["van"])
    with pytest.raises(Fenced, match="van"):
        first.commit(Batch(kept=kept("van", T0 + 1) + kept("b2", T0 + 1)), old)
    second.commit(Batch(kept=kept("van", T0 + 2)), new)
    first.commit(Batch(kept=kept("b2", T0 + 3)), {"b2": old["b2"]})
    assert [r.at_ms - T0 for r in ledger.readings("van", 0)] == [0, 2]
    assert [r.at_ms - T0 for r in ledger.readings("b2", 0)] == [3]


def test_dead_letters_are_bounded_and_counted(ledger: SqlLedger) -> None:
    """A noisy line cannot fill the disk: the newest are kept, all are counted, each is cut."""
    for i in range(3):
        ledger.commit(Batch(dead_letters=[DeadLetter(T0 + i, "s", "r", b"x" * 5000) for _ in range(4000)]))
    with ledger.database.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM dead_letters").scalar_one() == 10_000
    assert ledger.fact("dead_letters_ever") == 12_000
    assert {len(letter.raw) for letter in ledger.dead_letters(20_000)} == {4096}
    assert ledger.dead_letters(1)[0].at_ms == T0 + 2


def test_facts_are_kept_by_name(ledger: SqlLedger) -> None:
    """A small fact is what was last kept under its name; an unknown one is None."""
    assert ledger.fact("cursor") is None
    ledger.keep_fact("cursor", {"at": 5, "x": [1, None]})
    ledger.keep_fact("cursor", {"at": 6})
    assert ledger.fact("cursor") == {"at": 6}


def test_numbers_that_are_no_numbers_do_not_break_the_ledger(ledger: SqlLedger) -> None:
    """A belief with NaN inside is kept as nothing instead of stopping the loop."""
    ledger.commit(Batch(news={"van": believed("van", T0)._replace(temperature_c=math.nan)}))
    latest = ledger.latest("van")
    assert latest is not None
    assert latest.temperature_c is None
