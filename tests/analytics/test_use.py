"""Trips and storage told apart: by loads that come and go, never by a load that only stays."""

from collections.abc import Iterator

from analytics.battery import Battery
from analytics.reading import Note, Reading
from tests.analytics.lives import DAY_MS, HOUR_MS, MINUTE_MS, START_MS, agm, folded, resting


def trip(battery: Battery, hours: float, from_ms: int, *, measured: bool = True) -> Iterator[Reading]:
    """A fridge of 4 A that runs a third of the time."""
    for minute in range(1, int(hours * 60) + 1):
        on = minute % 40 < 14
        current_a = -4.1 if on else -0.1
        yield Reading(battery.id, from_ms + minute * MINUTE_MS, 12.55 if on else 12.68, current_a if measured else None, 15.0)


def test_a_fridge_that_cycles_is_a_trip_within_hours() -> None:
    """Loads that come and go show that someone lives there, with a shunt and by voltage alone."""
    for measured in (True, False):
        state, _ = folded(
            agm(), resting(agm(), 2, 90, current_a=-0.03 if measured else None), trip(agm(), 6, START_MS + 2 * DAY_MS, measured=measured)
        )
        assert state.use.mode == "in use", measured
        assert state.use.since_ms is not None
        assert state.use.since_ms < START_MS + 2 * DAY_MS + 6 * HOUR_MS


def test_a_day_and_a_half_without_a_load_is_storage_again() -> None:
    """After the last load the vehicle counts as stored, and it is remembered since when."""
    end_ms = START_MS + 6 * HOUR_MS
    state, _ = folded(agm(), trip(agm(), 6, START_MS), resting(agm(), 2, 85, from_ms=end_ms, current_a=-0.05))
    assert state.use.mode == "stored"
    assert state.use.since_ms is not None
    assert end_ms + 35 * HOUR_MS <= state.use.since_ms <= end_ms + 38 * HOUR_MS


def test_a_load_that_only_stays_is_no_trip() -> None:
    """A fridge control left on takes 4 A day and night: that is storage with something left on."""
    state, _ = folded(agm(), resting(agm(), 0.5, 90, 90, current_a=-4.0))
    assert state.use.mode == "stored"


def test_a_tracker_that_wakes_is_no_trip() -> None:
    """Two amperes for two minutes every few hours do not make a trip."""
    battery = agm()

    def life() -> Iterator[Reading]:
        for minute in range(1, 4 * 24 * 60):
            awake = minute % 360 < 2
            yield Reading(battery.id, START_MS + minute * MINUTE_MS, 12.7 - 0.02 * awake, -1.9 if awake else -0.03, 10.0)

    assert folded(battery, life())[0].use.mode == "stored"


def test_one_mover_burst_is_a_trip() -> None:
    """Nobody moves a caravan that is put away: hundreds of amperes for seconds are use."""
    battery = agm()
    quiet = list(resting(battery, 1, 90, current_a=-0.03))
    burst = [Reading(battery.id, quiet[-1].at_ms + s * 10_000, 11.2, -110.0, 15.0) for s in range(1, 4)]
    after = [Reading(battery.id, burst[-1].at_ms + s * 60_000, 12.6, -0.03, 15.0) for s in range(1, 4)]
    assert folded(battery, quiet, burst, after)[0].use.mode == "in use"


def test_a_maintainer_is_no_trip() -> None:
    """A charger that comes and goes moves current, but nobody is there."""
    battery = agm()

    def life() -> Iterator[Reading]:
        for minute in range(1, 3 * 24 * 60):
            on = minute // 60 % 8 == 0
            yield Reading(battery.id, START_MS + minute * MINUTE_MS, 13.9 if on else 13.0, 3.0 if on else -0.03, 10.0)

    assert folded(battery, life())[0].use.mode == "stored"


def test_the_owner_decides_until_the_data_may_again() -> None:
    """A mode set by hand stays whatever the data show; `by data` gives it back."""
    battery = agm()
    state, _ = folded(battery, resting(battery, 1, 90, current_a=-0.03))
    state, _ = folded(
        battery, [Note(battery.id, START_MS + DAY_MS, "mode", "stored", "Ada")], trip(battery, 6, START_MS + DAY_MS), state=state
    )
    assert (state.use.mode, state.use.by_hand) == ("stored", True)
    at_ms = START_MS + DAY_MS + 6 * HOUR_MS
    state, _ = folded(battery, [Note(battery.id, at_ms, "mode", "by data", "Ada")], trip(battery, 6, at_ms), state=state)
    assert (state.use.mode, state.use.by_hand) == ("in use", False)


def test_the_usual_wait_is_learned_and_an_outage_does_not_spoil_it() -> None:
    """A sensor that speaks every half hour is known to, also after three days of silence."""
    battery = agm()
    state, _ = folded(battery, resting(battery, 3, 90), resting(battery, 3, 88, from_ms=START_MS + 6 * DAY_MS))
    assert state.use.interval_ms is not None
    assert 25 * MINUTE_MS < state.use.interval_ms < 45 * MINUTE_MS
