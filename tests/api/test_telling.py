"""Whom to tell, when and why: the pure decisions, and local time."""

from dataclasses import replace
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import SecretStr, ValidationError

from analytics.assessment import Finding
from analytics.battery import Battery
from api import acts, telling
from api.people import DAYS, Person, PushSettings, QuietTime
from api.ports import Alert
from api.quiet import next_at_ms, quiet_until_ms
from api.telling import Told

T0 = 1_790_000_000_000
HOUR, DAY = 3_600_000, 86_400_000
BATTERY = Battery("van", "agm", 100.0, site="Hull")
SETTINGS = PushSettings()


def person(**more: object) -> Person:
    """Someone who is told of everything at once."""
    return Person.model_validate({"name": "Ana", "urls": (SecretStr("terminal:"),), "digest_at": None, **more})


def alert(priority: str = "medium", **more: object) -> Alert:
    """An alert that began at T0."""
    finding = Finding("low_voltage", priority, "Battery low", "seen", "means", "do", "", (), "test")
    return replace(Alert("van:low_voltage:1", "van", "low_voltage", priority, "unacknowledged", T0, None, finding), **more)  # type: ignore[arg-type]


TOLD = Told(True, False, T0, "medium")


def ms(*parts: int, zone: str = "Europe/London") -> int:
    """UTC milliseconds of a local time."""
    return round(datetime(*parts, tzinfo=ZoneInfo(zone)).timestamp() * 1000)  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("who", "what", "told", "kind", "tell", "reason"),
    [
        ({}, {}, Told(), "began", "began", "first message"),
        ({}, {}, TOLD, "began", None, "told already"),
        ({}, {"priority": "high"}, TOLD, "worsened", "worsened", "worse than what was told"),
        ({"priority": "high"}, {"priority": "high"}, Told(), "worsened", "began", "first message"),
        ({"priority": "high"}, {}, Told(), "began", None, "priority medium is below high"),
        ({"sites": ("Leeds",)}, {}, Told(), "began", None, "another site"),
        ({"sites": ("Hull",)}, {}, Told(), "began", "began", "first message"),
        ({"only_escalated": True}, {}, Told(), "began", None, "only when nobody acknowledged"),
        ({}, {"shelved_until_ms": T0 + HOUR}, Told(), "began", None, "shelved"),
        ({}, {"out_of_service_until_ms": T0 + HOUR}, Told(), "began", None, "out of service"),
        ({}, {"ended_ms": T0 + 1}, Told(), "began", None, "over before it was told"),
        ({}, {"ended_ms": T0 + 1}, Told(), "ended", None, "its beginning was not announced"),
        ({}, {"ended_ms": T0 + 1}, TOLD, "ended", "ended", "its beginning was announced"),
        ({}, {"ended_ms": T0 + 1, "shelved_until_ms": T0 + HOUR}, TOLD, "ended", "ended", "its beginning was announced"),
        ({"priority": "high", "sites": ("Leeds",)}, {"ended_ms": T0 + 1}, TOLD, "ended", "ended", "its beginning was announced"),
        ({}, {"ended_ms": T0 + 1}, TOLD._replace(ended=True), "ended", None, "told already"),
        ({}, {}, TOLD._replace(ended=True), "began", "began", "its end was announced and it goes on"),
        ({}, {"shelved_until_ms": T0 + HOUR}, TOLD._replace(ended=True), "began", None, "shelved"),
        ({}, {"ended_ms": T0 + 1}, TOLD._replace(ended=True), "began", None, "over before it was told"),
    ],
)
def test_an_event_is_told_or_not_for_a_named_reason(
    who: dict[str, object], what: dict[str, object], told: Told, kind: str, tell: str | None, reason: str
) -> None:
    """Each way of telling and each way of keeping quiet has its name."""
    verdict = telling.on_event(person(**who), alert(**what), BATTERY, kind, told, T0 + 2)
    assert (verdict.kind if verdict.tell else None, verdict.reason) == (tell, reason)


@pytest.mark.parametrize(
    ("who", "what", "told", "after_h", "unsilenced", "tell", "reason"),
    [
        ({}, {}, TOLD, 23, False, None, "told within the repeat interval"),
        ({}, {}, TOLD, 24, False, "repeat", "still there and nobody acknowledged"),
        ({}, {"priority": "high"}, TOLD, 4, False, "repeat", "still there and nobody acknowledged"),
        ({}, {"priority": "low"}, TOLD, 900, False, None, "low priority is not repeated"),
        ({}, {}, TOLD._replace(waiting=True), 900, False, None, "a message is still on its way"),
        ({}, {"acknowledged_ms": T0}, TOLD, 47, False, None, "acknowledged"),
        ({}, {"acknowledged_ms": T0}, TOLD, 48, False, "reminder", "acknowledged long ago and still there"),
        ({}, {"acknowledged_ms": T0}, TOLD._replace(reminded=True), 900, False, None, "acknowledged"),
        ({"only_escalated": True}, {"priority": "high"}, Told(), 0.9, False, None, "there is still time to acknowledge"),
        ({"only_escalated": True}, {"priority": "high"}, Told(), 1, False, "escalation", "nobody acknowledged in time"),
        ({"only_escalated": True}, {}, Told(), 12, False, "escalation", "nobody acknowledged in time"),
        ({"only_escalated": True}, {"priority": "low"}, Told(), 900, False, None, "low priority is not escalated"),
        ({"only_escalated": True}, {"acknowledged_ms": T0}, Told(), 900, False, None, "acknowledged"),
        ({"only_escalated": True}, {}, TOLD._replace(escalated=True), 900, False, None, "escalated already"),
        ({}, {}, Told(), 900, False, None, "not announced"),
        ({}, {}, Told(), 1, True, "began", "its silence is over and it is still there"),
        ({}, {"shelved_until_ms": T0 + 1000 * HOUR}, TOLD, 900, True, None, "shelved"),
        ({"sites": ("Leeds",)}, {}, TOLD, 900, True, None, "another site"),
    ],
)
def test_time_alone_demands_a_message_or_not_for_a_named_reason(
    who: dict[str, object], what: dict[str, object], told: Told, after_h: float, unsilenced: bool, tell: str | None, reason: str
) -> None:
    """Repeat, reminder, escalation and the end of a shelf, each with its name."""
    verdict = telling.on_time(person(**who), alert(**what), BATTERY, told, SETTINGS, T0 + round(after_h * HOUR), unsilenced=unsilenced)
    assert (verdict.kind if verdict.tell else None, verdict.reason) == (tell, reason)


NIGHT = QuietTime(begin=time(22), end=time(7))


def test_quiet_hours_hold_all_but_high_priority() -> None:
    """At night medium waits for the morning of the person's own clock; high does not wait."""
    quiet = person(quiet=(NIGHT,), time_zone="Europe/London")
    now = ms(2026, 7, 1, 23, 30)
    assert telling.on_event(quiet, alert(), BATTERY, "began", Told(), now).due_ms == ms(2026, 7, 2, 7)
    assert telling.on_event(quiet, alert("high"), BATTERY, "began", Told(), now).due_ms == now
    assert quiet_until_ms(person(quiet=(NIGHT.model_copy(update={"also_high": True}),), time_zone="Europe/London"), now, "high") == ms(
        2026, 7, 2, 7
    )


@pytest.mark.parametrize(("hour", "expected"), [(21, None), (22, 7), (3, 7), (6, 7), (7, None), (12, None)])
def test_a_night_over_midnight(hour: int, expected: int | None) -> None:
    """A quiet time that ends before it begins goes over midnight."""
    until = quiet_until_ms(person(quiet=(NIGHT,), time_zone="Europe/London"), ms(2026, 7, 2, hour), "medium")
    assert until == (None if expected is None else ms(2026, 7, 3 if hour == 22 else 2, expected))


def test_quiet_follows_the_change_of_the_clock() -> None:
    """In the night of 29 March 2026 London's clock goes from 01:00 to 02:00 (IANA time zone database): the quiet ends at 07:00 local, an hour earlier in UTC."""
    quiet = person(quiet=(NIGHT,), time_zone="Europe/London")
    until = quiet_until_ms(quiet, ms(2026, 3, 28, 23), "medium")
    assert until is not None
    assert datetime.fromtimestamp(until / 1000, UTC) == datetime(2026, 3, 29, 6, tzinfo=UTC)


def test_recurring_quiet_times_join() -> None:
    """A quiet Sunday after a quiet Saturday night is one quiet until Monday."""
    sunday = QuietTime(begin=time(7), end=time(6, 59), days=("sunday",))
    quiet = person(quiet=(NIGHT, sunday), time_zone="UTC")
    assert quiet_until_ms(quiet, ms(2026, 7, 4, 23, zone="UTC"), "low") == ms(2026, 7, 6, 7, zone="UTC")


@given(
    st.lists(st.tuples(st.integers(0, 1439), st.integers(0, 1439), st.sets(st.sampled_from(DAYS), min_size=1)), max_size=4),
    st.integers(0, 400 * DAY),
)
@example([(0, 1, set(DAYS)), (1, 0, set(DAYS))], 0)
def test_quiet_ends_outside_every_quiet_time(quiets: list[tuple[int, int, set[str]]], after: int) -> None:
    """Whatever the quiet times, the end found is later than now, at most a fortnight away, and not quiet unless the whole week is."""
    made = tuple(
        QuietTime.model_validate({"begin": time(b // 60, b % 60), "end": time(e // 60, e % 60), "days": tuple(days)})
        for b, e, days in quiets
        if b != e
    )
    who = person(quiet=made, time_zone="America/St_Johns")
    until = quiet_until_ms(who, T0 + after, "medium")
    if until is not None:
        assert T0 + after < until < T0 + after + 20 * DAY
        assert quiet_until_ms(who, until, "medium") is None or until - T0 - after > 7 * DAY


def test_low_priority_waits_for_the_digest() -> None:
    """Low priority comes once a day at the person's hour, or at once where no digest is wanted."""
    daily = person(digest_at=time(8), time_zone="Europe/Berlin")
    now = ms(2026, 7, 1, 9, zone="Europe/Berlin")
    verdict = telling.on_event(daily, alert("low"), BATTERY, "began", Told(), now)
    assert (verdict.digest, verdict.due_ms) == (True, ms(2026, 7, 2, 8, zone="Europe/Berlin"))
    assert telling.on_event(person(), alert("low"), BATTERY, "began", Told(), now).due_ms == now
    assert next_at_ms(time(8), ms(2026, 7, 1, 7, 59, zone="Europe/Berlin"), "Europe/Berlin") == ms(2026, 7, 1, 8, zone="Europe/Berlin")


def test_a_dead_gateway_is_one_cause() -> None:
    """Enough batteries and at least half of the gateway's are one cause; a few of many, or two of two, are not."""
    assert telling.one_cause({"hut": ["a", "b", "c"]}, {"hut": 5}, SETTINGS) == {"hut"}
    assert telling.one_cause({"hut": ["a", "b", "c"]}, {"hut": 7}, SETTINGS) == set()
    assert telling.one_cause({"hut": ["a", "b"]}, {"hut": 2}, SETTINGS) == set()
    assert telling.one_cause({"hut": ["a", "a", "a"]}, {"hut": 3}, SETTINGS) == set()


@given(st.integers(0, 1000), st.floats(0, 1))
def test_waiting_grows_and_is_capped(tries: int, chance: float) -> None:
    """The wait before the next try is never under 2.5 s, never over 15 minutes, and chance only shortens it by half."""
    assert 2_500 <= telling.wait_ms(tries, chance) <= 900_000
    assert telling.wait_ms(tries, 0.0) * 2 == telling.wait_ms(tries, 1.0)
    assert telling.wait_ms(tries + 1, chance) >= telling.wait_ms(tries, chance)


@pytest.mark.parametrize(
    ("bad", "says"),
    [
        ({"name": "Ana"}, "without an address"),
        ({"name": "a/b", "urls": ["terminal:"]}, "name"),
        ({"name": "Ana", "urls": ["terminal:"], "time_zone": "Europe/Atlantis"}, "time zone such as"),
        ({"name": "Ana", "urls": ["terminal:"], "time_zone": "../etc/passwd"}, "time zone such as"),
        ({"name": "Ana", "urls": ["terminal:"], "prio": "low"}, "prio"),
        ({"name": "Ana", "urls": ["terminal:"], "quiet": [{"begin": "22:00", "end": "22:00"}]}, "differs"),
        ({"name": "Ana", "urls": ["terminal:"], "quiet": [{"begin": "22:00", "end": "07:00", "days": ["payday"]}]}, "days"),
    ],
)
def test_a_wrong_person_is_refused(bad: dict[str, object], says: str) -> None:
    """Each mistake in the settings of a person is named."""
    with pytest.raises(ValidationError, match=says):
        PushSettings.model_validate({"people": [bad]})


def test_two_people_of_one_name_are_refused() -> None:
    """Deliveries are kept by name, so a name is one person's."""
    with pytest.raises(ValidationError, match="different name for each person; twice: Ana"):
        PushSettings(people=(person(), person()))


ACTS = st.lists(
    st.tuples(st.sampled_from(["acknowledge", "shelve", "unshelve", "out", "in", "time", "end"]), st.integers(0, 100 * DAY)), max_size=12
)


@given(ACTS)
def test_acts_keep_the_two_memories_apart(done: list[tuple[str, int]]) -> None:
    """Whatever people do: the state is always that of the two memories, every silence has a person, a reason and an end, and nothing but an act changes."""
    now, a = T0, alert()
    for what, step in done:
        now += step
        before = a
        try:
            if what == "acknowledge":
                a, _ = acts.acknowledge(a, now, "Ana")
            elif what == "shelve":
                a, _ = acts.shelve(a, now, now + 7 * DAY, "Ana", "why")
            elif what == "unshelve":
                a, _ = acts.unshelve(a, now, "Ana")
            elif what == "out":
                a, _ = acts.take_out_of_service(a, now, now + 7 * DAY, "Ana", "why")
            elif what == "in":
                a, _ = acts.return_to_service(a, now, "Ana")
            elif what == "time":
                a, changes = acts.expired(a, now)
                assert not acts.shelved(a, now) or not any(c.kind == "unshelved" for c in changes)
            elif a.ended_ms is None:
                a = replace(a, ended_ms=now, state=acts.state_of(now, a.acknowledged_ms))
        except acts.ActRefused:
            assert a == before
        assert a.state == acts.state_of(a.ended_ms, a.acknowledged_ms)
        assert (a.shelved_until_ms is None) == (a.shelved_by is None) == (a.shelved_reason is None)
        assert a.out_of_service == (a.out_of_service_until_ms is not None) == (a.out_of_service_reason is not None)
        assert (a.acknowledged_ms is None) == (a.acknowledged_by is None)
        assert a.acknowledged_ms is None or before.acknowledged_ms in (None, a.acknowledged_ms)


@pytest.mark.parametrize(
    ("ended", "acknowledged", "state"),
    [(None, None, "unacknowledged"), (None, T0, "acknowledged"), (T0, None, "returned unacknowledged"), (T0, T0, "normal")],
)
def test_four_states(ended: int | None, acknowledged: int | None, state: str) -> None:
    """IEC 62682 / ISA-18.2: two memories, four states (alarm state table, secondary source: ISA-18.2 overviews; from memory)."""
    assert acts.state_of(ended, acknowledged) == state
