"""A recording folded: a sensor's clock that jumps years ahead in mid-storage and comes back costs nothing but its own readings."""

from collections.abc import Iterable

from analytics.assessment import AlertEvent
from analytics.core import State, begin
from analytics.fold import JUMP_MS, fold
from analytics.reading import Reading, Tick
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, resting

TWO_YEARS_MS = 730 * DAY_MS


def run(readings: Iterable[Reading]) -> tuple[State, list[AlertEvent], list[str | None]]:
    """The last state, what was told, and what became of each reading."""
    last, events, became = begin(agm()), list[AlertEvent](), list[str | None]()
    for state, given, outcome in fold(last, readings):
        last = state
        events.extend(outcome.events)
        if type(given) is not Tick:
            became.append(outcome.ignored)
    return last, events, became


def told(events: Iterable[AlertEvent], rule: str) -> list[tuple[str, int]]:
    return [(e.kind, e.at_ms) for e in events if e.rule == rule]


def falling(jump: range, by_ms: int = TWO_YEARS_MS) -> tuple[list[Reading], list[Reading]]:
    """Forty days from 80 %, a percent a day; and the same with these readings dated by a clock that is off."""
    true = list(resting(agm(), 40, 80, 1.0))
    return true, [r._replace(at_ms=r.at_ms + by_ms) if i in jump else r for i, r in enumerate(true)]


def test_a_clock_that_jumps_ahead_for_hours_costs_only_those_readings() -> None:
    """They are given back as dated into the future; the forecast comes when it comes without them, and nothing else is said."""
    true, jumped = falling(range(700, 712))
    _, events, became = run(jumped)
    assert became.count("future") == 12
    assert len(became) == len(true)
    without = run(r for i, r in enumerate(true) if i not in range(700, 712))[1]
    assert [(e.alert_id, e.kind) for e in events] == [(e.alert_id, e.kind) for e in without]
    assert told(events, "forecast_low")


def test_a_clock_that_was_believed_and_comes_back_is_forgotten() -> None:
    """A week in the wrong year looks like a long silence at first. Once the clock is back, what that raised is closed aloud, the fall is
    foreseen as if nothing had been, and the state owes nothing to the other year."""
    hour = next(i for i, r in enumerate(resting(agm(), 40, 80, 1.0)) if r.at_ms - START_MS > 5 * DAY_MS)
    true, jumped = falling(range(hour, hour * 2))
    state, events, _ = run(jumped)
    silent = [e for e in events if e.rule == "silence"]
    assert [e.kind for e in silent][-1] == "ended"
    assert {e.alert_id for e in events if e.kind == "began"} - {e.alert_id for e in events if e.kind == "ended"} == {
        f"{state.battery.id}:{s.rule}:{s.began_ms}" for s in state.alerts.standing if s.began_ms is not None
    }
    foreseen = [e for e in events if e.rule == "forecast_low" and e.kind == "began"]
    assert foreseen
    assert foreseen[-1].at_ms < true[-1].at_ms
    assert state.last_ms == true[-1].at_ms


def test_a_long_silence_is_still_a_silence() -> None:
    """Heard again after nine months and for more than a day: believed, with the silence told in its time."""
    life = [*resting(agm(), 5, 80), *resting(agm(), 3, 70, from_ms=START_MS + 270 * DAY_MS)]
    state, events, became = run(life)
    assert set(became) == {None}
    assert state.last_ms == life[-1].at_ms
    assert [kind for kind, _ in told(events, "silence")] == ["began", "ended"]
    assert told(events, "silence")[0][1] < START_MS + 7 * DAY_MS


def test_what_is_held_at_the_end_is_folded() -> None:
    """A recording that ends within a day of a long silence loses nothing."""
    life = [*resting(agm(), 2, 80), *resting(agm(), 0.2, 70, from_ms=START_MS + JUMP_MS + 9 * DAY_MS)]
    state, _, became = run(life)
    assert set(became) == {None}
    assert state.last_ms == life[-1].at_ms > START_MS + JUMP_MS + HOUR_MS


def test_the_clock_may_run_on_after_the_last_reading() -> None:
    """To the moment asked for and no further, with the ticks of a silence; a battery that was never heard has none."""
    life = list(resting(agm(), 1, 80))
    last_ms = life[-1].at_ms
    after = [
        (given.at_ms - last_ms, outcome) for _, given, outcome in fold(begin(agm()), life, last_ms + 21 * HOUR_MS) if given.at_ms > last_ms
    ]
    assert [ms for ms, _ in after] == [HOUR_MS // 4 * n for n in (1, 2, 3)] + [HOUR_MS * n for n in range(1, 22)]
    assert [(ms, e.kind) for ms, outcome in after for e in outcome.events if e.rule == "silence"] == [(20 * HOUR_MS, "began")]
    assert list(fold(begin(agm()), [], START_MS)) == []


def test_two_hundred_days_are_a_silence_and_more_is_doubted() -> None:
    """Just as long it is believed at once; a moment longer it is held, and given back once the clock is; after a day it is believed."""
    first = Reading("heron", START_MS, 12.6, 0.0, 15.0)
    at, late = (first._replace(at_ms=START_MS + JUMP_MS + ms) for ms in (0, 1))
    soon = first._replace(at_ms=START_MS + HOUR_MS)
    assert run([first, at, at._replace(at_ms=at.at_ms + 1)])[2] == [None, None, None]
    assert run([first, late, soon])[2] == [None, "future", None]
    assert run([first, late, late._replace(at_ms=late.at_ms + DAY_MS - 1), soon])[2] == [None, "future", "future", None]
    state, _, became = run([first, late, late._replace(at_ms=late.at_ms + DAY_MS)])
    assert (became, state.last_ms) == ([None, None, None], late.at_ms + DAY_MS)
