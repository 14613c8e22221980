"""The rounds sheet and the sentences: pure functions, tried by example and by property."""

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from analytics.assessment import Anchor, Assessment, Details, Due, Forecast, Load
from analytics.battery import Battery
from api.ports import Alert
from api.rounds import Row, Situation, order, sheet
from api.words import DAY_MS, HOUR_MS, charge, due, left, rfc3339, silence, since, span, standing, why
from tests.fakes.web_scene import NOW_MS, runs_low, silent, too_high
from tests.outside import fact

BATTERY = Battery("a", "agm", 100, vehicle="Van A", site="Yard")


def assessed(*, volts: float = 12.5, pct: float | None = 70.0, at_ms: int = NOW_MS - 60_000, **details: object) -> Assessment:
    known = (pct, None if pct is None else pct - 4, None if pct is None else pct + 4)
    return Assessment("a", at_ms, volts, -0.1, 5.0, *known, "resting", None, Details(at_ms, **details))  # type: ignore[arg-type]


def falling(early_days: float, late_days: float | None = None, limit_pct: float = 50) -> Forecast:
    late_ms = None if late_days is None else NOW_MS + round(late_days * DAY_MS)
    return Forecast(limit_pct, NOW_MS + round(early_days * DAY_MS), late_ms, "charge balance")


def alert(finding=None, *, began_ms: int = NOW_MS - DAY_MS, ended_ms: int | None = None, **more: object) -> Alert:  # type: ignore[no-untyped-def]
    finding = finding or runs_low(BATTERY, 58, (3, 5), 95)
    return Alert(f"a:{finding.rule}:{began_ms}", "a", finding.rule, finding.priority, "unacknowledged", began_ms, ended_ms, finding, **more)  # type: ignore[arg-type]


def only(situation: Situation) -> Row:
    (row,) = sheet([situation], NOW_MS, fine=True)
    return row


def test_what_falls_soon_is_charged_by_a_date() -> None:
    """A forecast within two weeks becomes `charge by` its early end; the row is due then."""
    row = only(Situation(BATTERY, assessed(forecast=falling(3.5, 6)), NOW_MS, [alert()]))
    assert (row.sort, row.action) == ("charge", "charge by Friday 5 December")
    assert row.due_ms == row.earliest_damage_ms == NOW_MS + round(3.5 * DAY_MS)


def test_what_may_be_low_already_is_due_today_and_not_yesterday() -> None:
    """An early end that has passed while the late one is ahead: damage from today; once both have passed, from the early one."""
    assert only(Situation(BATTERY, assessed(forecast=falling(-2, 3)), NOW_MS)).earliest_damage_ms == NOW_MS
    assert only(Situation(BATTERY, assessed(forecast=falling(-2, -1)), NOW_MS)).earliest_damage_ms == NOW_MS - 2 * DAY_MS


def test_what_is_tended_and_well_charged_is_fine_without_a_forecast() -> None:
    """On a charger, or in use and far above its limit: fine. Stored with the same charge: cannot judge."""
    unknown = Forecast(50, None, None, "cannot judge: charged within the last day")
    assert only(Situation(BATTERY, assessed(pct=96, forecast=unknown, mode="stored")._replace(charge_phase="float"), NOW_MS)).sort == "fine"
    assert only(Situation(BATTERY, assessed(pct=70, forecast=unknown, mode="in use"), NOW_MS)).sort == "fine"
    assert only(Situation(BATTERY, assessed(pct=57, forecast=unknown, mode="in use"), NOW_MS)).sort == "cannot judge"
    assert only(Situation(BATTERY, assessed(pct=70, forecast=unknown, mode="stored"), NOW_MS)).sort == "cannot judge"


def test_a_row_says_how_it_is_today() -> None:
    """An alert that began with "in 3 days" a week ago is shown with the words of today's finding, and keeps its own where there is none."""
    old = runs_low(BATTERY, 70, (3, 5), 95)._replace(title="May fall below 50 % in 3 days")
    new = old._replace(title="May fall below 50 % now")
    told = alert(old, began_ms=NOW_MS - 6 * DAY_MS)
    assert only(Situation(BATTERY, assessed(forecast=falling(0.1), findings=(new,)), NOW_MS, [told])).why == "May fall below 50 % now"
    assert only(Situation(BATTERY, assessed(forecast=falling(0.1)), NOW_MS, [told])).why == "May fall below 50 % in 3 days"
    assert told.today(None) == old


def test_a_standing_load_is_isolated_if_there_is_time() -> None:
    """60 mA with ten days left: the load is switched off; with two days left the battery is charged first."""
    load = Load(0.06, 0.05, 0.07, NOW_MS - DAY_MS, "current")
    assert only(Situation(BATTERY, assessed(forecast=falling(10), standing_load=load), NOW_MS)).action == "isolate: 60 mA standing load"
    assert only(Situation(BATTERY, assessed(forecast=falling(2), standing_load=load), NOW_MS)).sort == "charge"


def test_what_is_being_charged_is_let_alone() -> None:
    """A forecast made before the charge does not hold: the alert that still stands asks only to let it get full."""
    charging = assessed(pct=96.0, forecast=falling(-1, -0.5))._replace(charge_phase="float")
    row = only(Situation(BATTERY, charging, NOW_MS, [alert()]))
    assert (row.action, row.earliest_damage_ms) == ("let it charge until it is full", None)
    assert only(Situation(BATTERY, charging, NOW_MS)).sort == "fine"
    assert left(falling(-3, -1), NOW_MS, "float").startswith("It is being charged")


def test_a_small_standing_load_is_not_hunted() -> None:
    """20 mA takes 78 days to halve 100 Ah (worked row DAYS-20MA), five times the sheet's horizon: charge, do not hunt."""
    assert fact("DAYS-20MA").value > 5 * 14
    small = Load(0.02, 0.018, 0.022, NOW_MS - DAY_MS, "current")
    assert only(Situation(BATTERY, assessed(forecast=falling(10), standing_load=small), NOW_MS)).sort == "charge"


def test_what_is_silent_is_visited_whatever_it_said_last() -> None:
    """Nine silent days are a visit, due at the next hire; a good last assessment does not hide them."""
    battery = Battery("a", "agm", 100, next_hire="2025-12-05")
    row = only(Situation(battery, assessed(pct=98.0), NOW_MS - 9 * DAY_MS, [alert(silent(9))]))
    assert (row.sort, row.action) == ("visit", "visit: silent 9 days")
    assert row.due_ms is not None
    assert rfc3339(row.due_ms) == "2025-12-05T00:00:00Z"


def test_a_slow_sensor_is_not_silent() -> None:
    """A sensor that speaks once a day is silent after three of its own intervals, not after one day."""
    slow = Battery("a", "agm", 100, reading_interval_s=86_400)
    assert only(Situation(slow, assessed(), NOW_MS - 2 * DAY_MS)).sort == "fine"
    assert only(Situation(slow, assessed(), NOW_MS - 3 * DAY_MS)).sort == "visit"


def test_what_cannot_be_judged_is_a_class_of_its_own() -> None:
    """Never heard, or heard but not to be judged: neither fine nor in danger."""
    assert only(Situation(BATTERY, None, None)).sort == "cannot judge"
    unjudged = Forecast(50, None, None, "cannot judge: no rest was seen")
    row = only(Situation(BATTERY, assessed(forecast=unjudged, mode="stored"), NOW_MS))
    assert (row.sort, row.action) == ("cannot judge", "cannot judge: no rest was seen")


def test_a_high_alert_counts_from_its_beginning() -> None:
    """Harm that is under way has its earliest damage when it began, so it stands first."""
    row = only(Situation(BATTERY, assessed(), NOW_MS, [alert(too_high(), began_ms=NOW_MS - HOUR_MS)]))
    assert (row.sort, row.earliest_damage_ms) == ("look", NOW_MS - HOUR_MS)
    assert row.action == "switch the charger to its AGM setting, or switch it off"


def test_shelved_and_out_of_service_alerts_ask_for_nothing() -> None:
    """What people asked to be quiet about makes no row until its time is over."""
    for quiet in ({"shelved_until_ms": NOW_MS + 1}, {"out_of_service": True}):
        assert only(Situation(BATTERY, assessed(), NOW_MS, [alert(too_high(), **quiet)])).sort == "fine"
    assert only(Situation(BATTERY, assessed(), NOW_MS, [alert(too_high(), shelved_until_ms=NOW_MS)])).sort == "look"


def test_done_is_proven_by_the_voltage_seen_afterwards() -> None:
    """Acknowledging is not doing: only the end of the alert with what was seen afterwards is."""
    taken = {"acknowledged_ms": NOW_MS - 2 * DAY_MS, "acknowledged_by": "Ines"}
    still = only(Situation(BATTERY, assessed(volts=12.1, forecast=falling(1)), NOW_MS, [alert(began_ms=NOW_MS - 3 * DAY_MS, **taken)]))
    assert still.proof == "Not done yet: 12.10 V seen Tuesday 2 December, about 70 %."
    ended = alert(began_ms=NOW_MS - 3 * DAY_MS, ended_ms=NOW_MS - DAY_MS, **taken)
    done = only(Situation(BATTERY, assessed(volts=12.84, pct=97.0), NOW_MS, [ended]))
    assert (done.sort, done.proof) == ("done", "Proven: 12.84 V seen Tuesday 2 December, about 97 %.")
    unseen = only(Situation(BATTERY, assessed(), NOW_MS - 3 * DAY_MS, [alert(**{**taken, "began_ms": NOW_MS - 4 * DAY_MS})]))
    assert unseen.proof == "Nothing has been seen since."


def test_what_ended_long_ago_is_fine() -> None:
    """After a week a proven row leaves the sheet."""
    old = alert(began_ms=NOW_MS - 12 * DAY_MS, ended_ms=NOW_MS - 8 * DAY_MS)
    assert only(Situation(BATTERY, assessed(), NOW_MS, [old])).sort == "fine"
    assert sheet([Situation(BATTERY, assessed(), NOW_MS, [old])], NOW_MS) == []


def test_care_that_is_due_is_a_row() -> None:
    """A check due within the week is on the sheet; one due next month is not."""
    soon, later = Due("check", NOW_MS + 5 * DAY_MS, "26 days ago."), Due("refresh", NOW_MS + 40 * DAY_MS, "")
    assert only(Situation(BATTERY, assessed(dues=(later, soon)), NOW_MS)).action == "check its voltage by Sunday 7 December"
    assert only(Situation(BATTERY, assessed(dues=(later,)), NOW_MS)).sort == "fine"


def test_one_site_alone() -> None:
    """A sheet for one site holds no row of another."""
    here, there = Situation(BATTERY, None, None), Situation(Battery("b", "agm", 90, site="Hill"), None, None)
    assert [row.battery_id for row in sheet([here, there], NOW_MS, "Hill")] == ["b"]


FORECASTS = st.one_of(
    st.none(),
    st.builds(lambda d: falling(d), st.floats(-3, 400, allow_nan=False)),
    st.just(Forecast(50, None, None, "charge balance")),
    st.just(Forecast(50, None, None, "cannot judge: too short")),
)
ALERTS = st.lists(
    st.builds(
        lambda finding, age, ended, taken: alert(
            finding,
            began_ms=NOW_MS - age,
            ended_ms=NOW_MS - age // 2 if ended else None,
            acknowledged_ms=NOW_MS - age // 3 if taken else None,
        ),
        st.sampled_from([too_high(), silent(3), runs_low(BATTERY, 60, (1, 2), 50)]),
        st.integers(0, 30 * DAY_MS),
        st.booleans(),
        st.booleans(),
    ),
    max_size=3,
)
SITUATIONS = st.builds(
    lambda n, site, hire, forecast, alerts, quiet, known: Situation(
        Battery(f"b{n}", "agm", 100, site=site, next_hire=hire), assessed(forecast=forecast) if known else None,
        None if quiet is None else NOW_MS - quiet, alerts,
    ),
    st.integers(0, 999), st.sampled_from(["", "Hill", "Yard"]), st.sampled_from([None, "2025-12-05", "2026-01-01", "soon"]), FORECASTS, ALERTS,
    st.none() | st.integers(0, 40 * DAY_MS), st.booleans(),
)  # fmt: skip


@given(st.lists(SITUATIONS, max_size=12))
def test_the_sheet_is_in_order_and_has_one_row_a_vehicle(situations: list[Situation]) -> None:
    """Whatever the situations: one row each, open ones before done, by damage, hire, site; every row has an action."""
    rows = sheet(situations, NOW_MS, fine=True)
    assert sorted(row.battery_id for row in rows) == sorted(s.battery.id for s in situations)
    assert all(order(a) <= order(b) for a, b in pairwise(rows))
    assert all(row.action for row in rows)
    open_rows = [row for row in rows if row.sort not in ("done", "fine")]
    assert rows[: len(open_rows)] == open_rows
    dates = [row.earliest_damage_ms for row in open_rows if row.earliest_damage_ms is not None]
    assert dates == sorted(dates)
    assert sheet(situations, NOW_MS) == [row for row in rows if row.sort != "fine"]


def test_sentences_read_aloud() -> None:
    """The sentences of a state, word for word."""
    assert charge(assessed(pct=72.0)) == "About 72 %, very likely between 68 and 76 %."
    assert charge(assessed(pct=None)) == "How full it is cannot be told yet."
    wide = assessed()._replace(state_of_charge_low_pct=10.0, state_of_charge_high_pct=95.0)
    assert charge(wide) == "How full it is can hardly be told: anything between 10 and 95 %."
    assert why(None, NOW_MS).startswith("This is an estimate without a firm point")
    anchored = Anchor("full", NOW_MS - 3 * DAY_MS, 92, 100, 0.4)
    assert why(anchored, NOW_MS) == "Last made sure 3 days ago, when it was charged full and that showed 100 %; counted from there."
    assert left(falling(6.4, 9.2), NOW_MS) == "Reaches its limit of 50 % in 6 to 9 days, if nothing changes."
    assert left(falling(6.4), NOW_MS) == "Reaches its limit of 50 % in 6 days or more, if nothing changes."
    assert left(falling(-1, 3), NOW_MS) == "It may reach its limit of 50 % at any time now, and will within 3 days, if nothing changes."
    assert left(falling(-3, -1), NOW_MS) == "It is at or below its limit of 50 %: charge it now."
    assert left(Forecast(50, None, None, "charge balance"), NOW_MS) == "It is not on its way to its limit of 50 %."
    low = left(Forecast(50, None, None, "charge balance"), NOW_MS, pct=49.0)
    assert low == "It is most likely below its limit of 50 %: charge it now."
    assert left(Forecast(50, None, None, "cannot judge: no rest was seen"), NOW_MS).endswith("cannot be told: no rest was seen.")
    assert (
        standing(Load(0.06, 0.05, 0.07, NOW_MS, "current")) == "About 60 mA drain it while it rests, very likely between 50 mA and 70 mA."
    )
    assert standing(Load(0.01, -0.02, 0.04, NOW_MS, "current")) == "At most 40 mA drain it while it rests; it may be nothing at all."
    assert (
        standing(Load(5.96, 5.78, 6.14, NOW_MS, "current")) == "About 6.0 A drain it while it rests, very likely between 5.8 A and 6.1 A."
    )
    assert due("check", NOW_MS + 5 * DAY_MS, NOW_MS) == "Check its voltage by Sunday 7 December."
    assert due("check", NOW_MS - DAY_MS, NOW_MS) == "Check its voltage today."
    assert silence(NOW_MS - 5 * DAY_MS, NOW_MS) == "Silent for 5 days: all that stands here is as of then."
    assert silence(NOW_MS - HOUR_MS, NOW_MS) is None


@given(st.integers(0, 10**12), st.integers(0, 10**12))
def test_a_range_never_runs_backwards(a: int, b: int) -> None:
    """In `6 to 9 days` the second number is larger than the first, and a range begins no later than its early end."""
    early, late = sorted((a, b))
    words = span(early, late).split()
    if words[1] == "to":
        assert int(words[0]) < int(words[2])
    assert since(early)


@given(st.integers(-(10**14), 10**15))
def test_times_outside_are_rfc3339(at_ms: int) -> None:
    """Any millisecond becomes a time with `Z` that the standard library reads back, as far as a calendar reaches."""
    from datetime import datetime

    read = datetime.fromisoformat(rfc3339(at_ms))
    expected = min(max(at_ms, -62_135_596_800_000), 253_402_300_799_999)
    assert round(read.timestamp() * 1000) == expected
