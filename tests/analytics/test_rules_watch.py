"""Silence, freezing, standing load, sulfation and the unexplained rise; and the bad inputs, each with the sentence the owner gets."""

import pytest

from analytics.battery import Battery
from analytics.reading import Note, Reading
from tests.analytics.lives import DAY_MS, HOUR_MS, MINUTE_MS, START_MS, agm, began, folded, held, kinds, resting, sentences, silent
from tests.analytics.test_use import trip


def test_a_stored_battery_is_said_to_be_silent_within_a_day() -> None:
    """Its own class of answer, low as long as nothing was falling, ended with the first word."""
    battery = agm()
    last_ms = START_MS + 4 * DAY_MS
    state, events = folded(battery, resting(battery, 4, 90), silent(battery, 30, last_ms))
    alert = began(events, "silence")
    assert 12 * HOUR_MS < alert.at_ms - last_ms <= DAY_MS
    assert alert.priority == "low"
    assert "neither fine nor low" in alert.finding.meaning
    _, events = folded(battery, resting(battery, 0.2, 90, from_ms=last_ms + 30 * HOUR_MS), state=state)
    assert kinds(events, "silence") == ["ended"]


def test_a_battery_that_was_falling_makes_its_silence_worse() -> None:
    """Silent and on its way down is more than silent."""
    battery = agm()
    _, events = folded(battery, resting(battery, 14, 70, 1.0), silent(battery, 30, START_MS + 14 * DAY_MS))
    assert began(events, "silence").priority == "medium"


def test_on_a_trip_an_hour_of_silence_is_enough() -> None:
    """In use the owner hears of it while it matters."""
    battery = agm()
    end_ms = START_MS + 8 * HOUR_MS
    _, events = folded(battery, trip(battery, 8, START_MS), silent(battery, 5, end_ms))
    assert HOUR_MS <= began(events, "silence").at_ms - end_ms <= 2 * HOUR_MS


def test_a_sensor_that_speaks_once_a_day_is_not_silent_between() -> None:
    """Its own pace is learned; missing a day is said within a quarter of a day."""
    battery = agm()
    lives = []
    for day in range(10):
        at_ms = START_MS + day * DAY_MS
        lives += [[Reading(battery.id, at_ms, 12.7, None, 10.0)], silent(battery, 24, at_ms)]
    _, events = folded(battery, *lives)
    assert not kinds(events, "silence")
    at_ms = START_MS + 10 * DAY_MS
    _, events = folded(battery, *lives, [Reading(battery.id, at_ms, 12.7, None, 10.0)], silent(battery, 48, at_ms))
    assert began(events, "silence").at_ms - at_ms <= 32 * HOUR_MS


def test_the_owners_interval_counts_before_the_learned_one() -> None:
    """Declared to speak every four hours: silent after a day at the latest, not after 20 hours."""
    battery = agm(reading_interval_s=4 * 3600.0)
    _, events = folded(battery, resting(battery, 3, 90), silent(battery, 30, START_MS + 3 * DAY_MS))
    assert 22 * HOUR_MS < began(events, "silence").at_ms - START_MS - 3 * DAY_MS <= 24 * HOUR_MS


def test_a_cold_that_is_expected_is_named() -> None:
    """40 % freezes above -25 °C: what is expected is said, not that frost is nothing away, and it is not frozen yet."""
    battery = agm(initial_state_of_charge_pct=40.0, coldest_expected_c=-25.0)
    _, events = folded(battery, resting(battery, 2, 40, temperature_c=5.0))
    finding = began(events, "freezing").finding
    assert (finding.title, finding.priority) == ("Would freeze at -25 °C", "medium")


@pytest.mark.parametrize(
    ("pct", "temperature_c", "priority"),
    [(25.0, -12.0, "medium"), (25.0, -20.0, "high"), (95.0, -20.0, None), (60.0, -12.0, None), (25.0, 2.0, None)],
)
def test_frost_is_judged_against_the_acid(pct: float, temperature_c: float, priority: str | None) -> None:
    """25 % freezes near -15 °C (US Army TM 5-4210-230-14&P-1): 3 K above is a warning, below it may be frozen; a full one is silent."""
    battery = Battery(
        "heron", "flooded", 100.0, initial_state_of_charge_pct=pct, rest_voltage_table=((0, 11.89), (50, 12.24), (100, 12.65))
    )
    _, events = folded(battery, resting(battery, 4, pct, temperature_c=temperature_c))
    told = [e for e in events if e.rule == "freezing"]
    if priority is None:
        assert not told
        return
    assert told[-1].priority == priority
    assert "Never charge a frozen battery" in told[-1].finding.caution


def test_a_load_left_on_is_named_with_since_when_and_days_left() -> None:
    """0.35 A without a break: named after a day, with what is left, and over when it stops."""
    battery = agm(initial_state_of_charge_pct=95.0)
    state, events = folded(battery, resting(battery, 3, 95, 8.4, current_a=-0.35))
    finding = began(events, "standing_load").finding
    assert finding.title in ("340 mA taken all the time", "350 mA taken all the time", "360 mA taken all the time")
    assert "has flowed out without a break since 1 November" in finding.seen
    assert dict(finding.evidence)["days_left"] == pytest.approx(4.2, abs=1.5)
    _, events = folded(battery, resting(battery, 1, 70, from_ms=START_MS + 3 * DAY_MS, current_a=0.0), state=state)
    assert kinds(events, "standing_load") == ["ended"]


def test_weeks_spent_low_are_said_once() -> None:
    """A month at 55 %: the capacity is at risk, and a full charge ends it."""
    battery = agm(initial_state_of_charge_pct=56.0)
    state, events = folded(battery, resting(battery, 30, 56, 0.02))
    assert kinds(events, "sulfation") == ["began"]
    _, events = folded(battery, held(battery, 16, 14.4, START_MS + 30 * DAY_MS), state=state)
    assert kinds(events, "sulfation") == ["ended"]


def test_a_swapped_battery_is_noticed_and_not_averaged() -> None:
    """From 55 to 95 % overnight without a charge: asked about, and the trend begins anew."""
    battery = agm()
    swap_ms = START_MS + 15 * DAY_MS
    state, events = folded(battery, resting(battery, 15, 70, 1.0), resting(battery, 5, 95, 0.1, from_ms=swap_ms))
    finding = began(events, "unexplained_rise").finding
    assert finding.title == "Another battery, or an unseen charge?"
    assert "note it as replaced" in finding.advice
    assert all(day >= swap_ms // DAY_MS for day, _ in state.trend.points)
    assert state.trend.slope is None or state.trend.slope[0] > -0.6
    assert not kinds(events, "sensor_disagrees"), "told once, and there is no current sensor to accuse"


def test_a_stuck_voltage_is_not_called_falling() -> None:
    """The same millivolts for weeks: no fall is invented, and what is known is said with its interval."""
    battery = agm()
    state, events = folded(battery, [Reading(battery.id, START_MS + i * 1_800_000, 12.5, None, 10.0) for i in range(1, 20 * 48)])
    assert not kinds(events, "forecast_low")
    assert "It does not fall towards its limit." in sentences(state)
    _, events = folded(
        battery, [Reading(battery.id, (state.last_ms or 0) + i * 1_800_000, 12.5, None, 10.0) for i in range(1, 3 * 48)], state=state
    )
    finding = began(events, "sensor_stuck_voltage").finding
    assert finding.seen.endswith("since 1 November; warmth alone moves a battery's voltage by more.")
    assert "current" not in finding.meaning


def test_a_clock_that_jumps_two_years_ahead_makes_no_forecast_of_it() -> None:
    """After a hole of two years nothing old is used: no line through it, no alert from it, and it says that it cannot judge."""
    battery = agm()
    later = START_MS + 730 * DAY_MS
    state, events = folded(battery, resting(battery, 10, 80, 1.0), resting(battery, 2.5, 72, 1.0, from_ms=later))
    assert not [e for e in events if e.rule in ("forecast_low", "low_voltage") and e.kind == "began"]
    assert "Where it is heading cannot be judged: fewer than three quiet days lately." in sentences(state)


def test_a_clock_that_jumps_two_years_back_changes_nothing() -> None:
    """Readings older than the last are not folded again; the state is what it was."""
    battery = agm()
    state, _ = folded(battery, resting(battery, 10, 80, 1.0))
    after, events = folded(battery, resting(battery, 2, 72, 1.0, from_ms=START_MS - 730 * DAY_MS), state=state)
    assert after == state
    assert not events


def test_a_doubled_backlog_says_nothing_twice() -> None:
    """The same readings sent again after an outage raise no second alert."""
    battery = agm()
    life = list(resting(battery, 27, 75, 1.0))
    _, once = folded(battery, life)
    _, twice = folded(battery, life[:700], life[:700], life[300:], life)
    assert [(e.alert_id, e.kind, e.at_ms) for e in twice] == [(e.alert_id, e.kind, e.at_ms) for e in once]


def test_a_backlog_is_judged_at_its_own_time() -> None:
    """Three weeks heard at once give the alerts that the three weeks would have given, at their times."""
    battery = agm()
    _, events = folded(battery, resting(battery, 27, 75, 1.0))
    assert all(START_MS < e.at_ms <= START_MS + 27 * DAY_MS for e in events)
    assert [e.at_ms for e in events] == sorted(e.at_ms for e in events)


def test_the_owner_may_put_a_vehicle_into_storage_by_hand() -> None:
    """From that note on the longer response time counts."""
    battery = agm(initial_state_of_charge_pct=75.0)
    note = [Note(battery.id, START_MS + HOUR_MS, "mode", "stored", "Ada")]
    _, events = folded(battery, resting(battery, 1 / 24, 75, 12, current_a=-0.5, every_ms=MINUTE_MS), note,
                       resting(battery, 1, 74, 12, current_a=-0.5, every_ms=MINUTE_MS, from_ms=START_MS + HOUR_MS))  # fmt: skip
    assert dict(began(events, "forecast_low").finding.evidence)["response_h"] == 72.0


@pytest.mark.parametrize("offset_a", [0.6, -0.6])
def test_a_shunt_with_a_large_offset_hides_no_fall_and_invents_none(offset_a: float) -> None:
    """0.6 A shown where none flows: a falling battery is still warned of, a resting one is not said to fall."""
    battery = agm()
    falling = (r._replace(current_a=offset_a) for r in resting(battery, 27, 75, 1.0))
    assert 25 - (began(folded(battery, falling)[1], "forecast_low").at_ms - START_MS) / DAY_MS >= 3
    steady = (r._replace(current_a=offset_a) for r in resting(battery, 20, 85, 0.05))
    state, events = folded(battery, steady)
    assert not [e for e in events if e.rule == "forecast_low" and e.kind == "began" and e.at_ms > START_MS + 3 * DAY_MS]
    assert not [f for f in state.details.findings if f.rule in ("forecast_low", "low_voltage")]
