"""The storage calendar: what counts as a check, what counts as a charge, and what is due when."""

import re

import pytest

from analytics.care import hire_ms
from analytics.reading import Note
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, began, folded, held, kinds, resting, silent
from tests.analytics.test_use import trip
from tests.outside import fact


def due(state, what: str) -> int:  # type: ignore[no-untyped-def]
    return next(d.due_ms for d in state.details.dues if d.what == what)


def test_dues_are_known_ahead() -> None:
    """From the first day the owner sees the next check and the next charge, a month and three months away."""
    state, _ = folded(agm(), resting(agm(), 3, 95, 0.1))
    assert due(state, "check") == pytest.approx(START_MS + 33 * DAY_MS, abs=DAY_MS)
    assert due(state, "refresh") == pytest.approx(START_MS + 90 * DAY_MS, abs=DAY_MS)
    assert [d.due_ms for d in state.details.dues] == sorted(d.due_ms for d in state.details.dues)


def test_the_intervals_are_those_of_the_trade() -> None:
    """30 days between checks (US Army TM 5-3820-256-24-4), 90 days between charges (trade rule, no source)."""
    from analytics import care

    assert fact("STO-CHECK").value == care.CHECK_DAYS
    assert fact("STO-RECHARGE-MAX").value == care.REFRESH_DAYS


def test_a_battery_that_speaks_needs_no_visit_for_a_check() -> None:
    """A rest voltage read by the sensor is the monthly check."""
    _, events = folded(agm(), resting(agm(), 45, 95, 0.1, every_ms=2 * HOUR_MS))
    assert not kinds(events, "check_due")


def test_a_silent_battery_is_due_a_check_after_a_month() -> None:
    """Nothing heard for 30 days: somebody must look."""
    battery = agm()
    _, events = folded(battery, resting(battery, 2, 95), silent(battery, 40 * 24, START_MS + 2 * DAY_MS))
    assert began(events, "check_due").at_ms == pytest.approx(START_MS + 32 * DAY_MS, abs=DAY_MS)


def test_a_voltage_measured_by_hand_is_a_check() -> None:
    """A typed voltmeter reading moves the due date and ends the alert."""
    battery = agm()
    state, events = folded(battery, resting(battery, 2, 95), silent(battery, 35 * 24, START_MS + 2 * DAY_MS))
    assert kinds(events, "check_due") == ["began"]
    at_ms = START_MS + 37 * DAY_MS
    state, events = folded(battery, [Note(battery.id, at_ms, "check", 12.62, "Ada")], state=state)
    assert kinds(events, "check_due") == ["ended"]
    assert due(state, "check") == at_ms + 30 * DAY_MS
    assert state.care.check_pct == pytest.approx(77, abs=3)


@pytest.mark.parametrize(("start_pct", "fall", "day"), [(95, 0.2, 90), (80, 1.0, 22)])
def test_a_storage_charge_is_due_by_time_or_by_voltage_whichever_is_first(start_pct: float, fall: float, day: int) -> None:
    """12.4 V of a six-cell AGM battery is 58 %: falling 1 % a day from 80 % that is day 22, give or take the two points of a published table; a slow
    one is due after 90 days."""
    battery = agm(initial_state_of_charge_pct=float(start_pct))
    _, events = folded(battery, resting(battery, 95, start_pct, fall, every_ms=HOUR_MS))
    assert began(events, "refresh_due").at_ms == pytest.approx(START_MS + day * DAY_MS, abs=2.5 * DAY_MS)


def test_a_charge_counts_once_the_data_show_it() -> None:
    """A note alone does not move the date; the note without a charge is said; a charge seen ends the alert."""
    battery = agm()
    life = resting(battery, 92, 95, 0.1, every_ms=2 * HOUR_MS)
    state, events = folded(battery, life)
    assert kinds(events, "refresh_due") == ["began"]
    at_ms = START_MS + 92 * DAY_MS
    state, events = folded(battery, [Note(battery.id, at_ms, "charged", None, "Ada")], resting(battery, 4, 85, from_ms=at_ms), state=state)
    assert not kinds(events, "refresh_due")
    finding = next(f for f in state.details.findings if f.rule == "refresh_due")
    assert "A charge was noted on 1 February, but the data do not show one." in finding.seen
    at_ms += 4 * DAY_MS
    state, events = folded(
        battery, held(battery, 14, 14.4, at_ms, 3.0), resting(battery, 2, 100, from_ms=at_ms + 14 * HOUR_MS), state=state
    )
    assert kinds(events, "refresh_due") == ["ended"]
    assert due(state, "refresh") > at_ms + 90 * DAY_MS
    assert state.care.promised_ms is None


def test_a_maintainer_makes_the_charge_unnecessary_and_its_end_is_said() -> None:
    """Held for weeks nothing is due; a day after it has stopped the owner knows."""
    battery = agm()
    state, events = folded(battery, held(battery, 24 * 20, 13.6, START_MS, 0.05, every_ms=30 * 60_000))
    assert not events
    assert state.care.maintained
    stop_ms = START_MS + 20 * DAY_MS
    state, events = folded(battery, resting(battery, 3, 98, 0.1, from_ms=stop_ms, current_a=-0.03), state=state)
    alert = began(events, "maintainer")
    assert alert.finding.title == "The maintainer has stopped"
    assert stop_ms + DAY_MS <= alert.at_ms <= stop_ms + 2 * DAY_MS
    _, events = folded(battery, held(battery, 48, 13.6, stop_ms + 3 * DAY_MS, 0.05), state=state)
    assert kinds(events, "maintainer") == ["ended"]


def test_a_trip_that_ends_low_asks_for_a_charge_and_a_check() -> None:
    """Came back at 60 %: said once the vehicle is put away, with what is still taken."""
    battery = agm(initial_state_of_charge_pct=62.0)
    end_ms = START_MS + 5 * HOUR_MS
    state, events = folded(battery, trip(battery, 5, START_MS), resting(battery, 3, 60, 8, from_ms=end_ms, current_a=-0.35))
    alert = began(events, "returned_low")
    assert alert.finding.title.startswith("Put away at ")
    assert re.search(r"3[3-7]0 mA is still taken from it", alert.finding.seen)
    assert {"charge_before_storage", "refresh"} <= {d.what for d in state.details.dues}


def test_a_check_is_due_before_the_next_hire() -> None:
    """The owner named the date: two days before it somebody should look."""
    state, _ = folded(agm(next_hire="2026-11-20"), resting(agm(), 2, 95))
    assert due(state, "check_before_use") == START_MS + 17 * DAY_MS


def test_a_date_that_is_none_is_no_due() -> None:
    """An empty or unreadable date gives nothing, never an error in the fold."""
    assert hire_ms(None) is None
    assert hire_ms("") is None
    assert hire_ms("soon") is None
    assert hire_ms("2026-11-01") == START_MS


def test_lithium_has_no_three_monthly_charge() -> None:
    """LiFePO4 is stored at 40 to 60 % and does not sulfate."""
    from analytics.battery import Battery

    battery = Battery("tern", "lifepo4", 100.0, cells=4, initial_state_of_charge_pct=60.0)
    state, events = folded(battery, resting(battery, 95, 60, 0.05, every_ms=2 * HOUR_MS))
    assert "refresh" not in {d.what for d in state.details.dues}
    assert not kinds(events, "refresh_due")


def test_a_replaced_battery_starts_a_new_calendar() -> None:
    """The new one was not checked or charged by us yet."""
    battery = agm()
    at_ms = START_MS + 50 * DAY_MS
    state, _ = folded(battery, resting(battery, 50, 95, every_ms=2 * HOUR_MS), [Note(battery.id, at_ms, "replaced", None, "Ada")])
    assert due(state, "refresh") == at_ms + 90 * DAY_MS
