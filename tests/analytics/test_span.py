"""Spans: how long a calm one lasts, and that nothing which happens is seen later than with a span a minute."""

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.battery import Battery
from analytics.core import State, begin, step
from analytics.reading import Reading
from analytics.rules import PACES, RULES, soon
from analytics.span import CALM_MS, IDLE_MS, Span

START_MS = 1_790_000_100_000 // IDLE_MS * IDLE_MS
CALM = (12.5, -1.0, 15.0)
Sample = tuple[float, float | None, float | None]


def spans(samples: list[Sample], every_ms: int = 60_000) -> list[tuple[int, Span]]:
    """Each closed span, with the number of the reading that closed it."""
    state, found = begin(Battery("heron", "agm", 100.0)), []
    for i, (v, a, t) in enumerate(samples):
        before = state.span
        state, _ = step(state, Reading("heron", START_MS + i * every_ms, v, a, t))
        if state.span is not before and state.span is not None:
            found.append((i, state.span))
    return found


STRONG, HELD, FLAT = (12.5, -7.0, 15.0), (13.6, 0.5, 15.0), (11.9, -1.0, 15.0)


@pytest.mark.parametrize(
    ("sample", "readings"), [(CALM, [1, 14, 15, 15]), (STRONG, [1, 4, 5, 5, 5]), (HELD, [1, 4, 5, 5, 5]), (FLAT, [1, 4, 5, 5, 5])],
    ids=["idle", "a strong load", "a charger holds it", "nearly empty"],
)  # fmt: skip
def test_calm_minutes_share_a_span_and_longest_where_nothing_is_at_stake(sample: Sample, readings: list[int]) -> None:
    """After the first span, which has nothing before it to compare with: to the end of the quarter of an hour, or of five minutes."""
    assert [span.readings for _, span in spans([sample] * 46)][: len(readings)] == readings


def test_an_alert_about_to_begin_keeps_spans_short() -> None:
    """A battery that falls below its limit is judged every five minutes from then on, so that the alert begins when its delay is over."""
    state, told = begin(Battery("heron", "agm", 100.0, initial_state_of_charge_pct=52.0)), []
    for i in range(24 * 60):
        state, outcome = step(state, Reading("heron", START_MS + i * 60_000, 12.35, -0.6, 15.0))
        told += [event for event in outcome.events if event.rule in ("low_voltage", "forecast_low")]
    assert told
    for event in told:
        held_s = float(event.reason.removeprefix("condition held for ").split()[0])
        assert held_s <= next(r.on_delay_s for r in RULES if r.name == event.rule) + CALM_MS / 1000


@pytest.mark.parametrize(
    "other",
    [(12.47, -1.0, 15.0), (12.53, -1.0, 15.0), (12.5, -1.6, 15.0), (12.5, -0.4, 15.0), (12.5, None, 15.0), (12.5, -1.0, 85.0)],
    ids=["volts fall", "volts rise", "load comes", "load goes", "no current", "thermometer fails"],
)  # fmt: skip
def test_a_change_closes_the_calm_span_at_once_and_is_seen_a_minute_later(other: Sample) -> None:
    """The first reading that differs closes what went before, and the next reading closes the span that began with the change."""
    found = spans([*[CALM] * 23, other, other, other, other])
    closers = [i for i, _ in found]
    assert 23 in closers
    assert 24 in closers
    changed = next(span for i, span in found if i == 24)
    assert (changed.readings, changed.voltage_last_v, changed.current_last_a) == (1, other[0], other[1])


def test_a_temperature_told_now_and_then_is_no_change() -> None:
    """Where most readings have none, the last known one holds, and calm minutes still share a span."""
    samples: list[Sample] = [(12.5, -1.0, 15.0 if i % 10 == 0 else None) for i in range(60)]
    assert len(spans(samples)) < 30


def test_readings_by_the_second_make_spans_of_a_minute() -> None:
    """Only a sensor that speaks about once a minute gets longer spans: the others fill a minute by themselves."""
    assert {span.readings for _, span in spans([CALM] * 700, 1000)} == {60}


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.sampled_from([CALM, (12.51, -1.1, 15.5), (12.3, -8.0, 15.0), (13.4, 9.0, 16.0), (12.5, None, None)]), min_size=2, max_size=80
    )
)
def test_every_reading_is_in_one_span_and_none_lies_across_a_quarter_of_an_hour(samples: list[Sample]) -> None:
    """Closed spans follow each other without a hole, and each reading counts once."""
    found = [span for _, span in spans(samples)]
    for before, after in pairwise(found):
        assert after.begin_ms - before.end_ms == after.gap_ms == 60_000
    for span in found:
        assert span.begin_ms // IDLE_MS == span.end_ms // IDLE_MS
        assert span.readings == (span.end_ms - span.begin_ms) // 60_000 + 1
    assert sum(span.readings for span in found) + (
        0 if not found else (START_MS + len(samples) * 60_000 - found[-1].end_ms) // 60_000 - 1
    ) == (len(samples) if found else 0)


def test_rules_judged_between_the_hours_are_the_urgent_ones_those_of_a_charge_and_those_that_stand() -> None:
    """Nothing that has begun or is pending is passed over, in the order of the table."""
    assert {r.name for r in soon((), PACES[False, False])} == {"deep_discharge", "low_voltage", "silence", "freezing"}
    charging = soon(("check_due",), PACES[True, False])
    assert "check_due" in {r.name for r in charging}
    assert {r.pace for r in charging} == {"always", "charging", "hourly"}
    assert charging == tuple(r for r in RULES if r in charging)


def test_details_say_the_same_whenever_they_are_said() -> None:
    """Said at once or long after later readings were folded, the words about a moment are the same."""
    at_once, later = [], []
    for told in (at_once, later):
        state: State = begin(Battery("heron", "agm", 100.0))
        outcomes = []
        for i in range(300):
            state, outcome = step(state, Reading("heron", START_MS + i * 60_000, 12.6 - i * 0.002, -4.0, 10.0))
            outcomes.append(outcome.assessment)
            if told is at_once:
                told.append(outcome.assessment.details)
        if told is later:
            told.extend(assessment.details for assessment in reversed(outcomes))
    assert at_once == later[::-1]
    assert len({details.at_ms for details in at_once}) > 10


def turns(state: State) -> tuple[object, ...]:
    """What is judged at once when it changes."""
    return state.charging.phase, state.use.mode, state.trend.eod_ms, state.charging.running is not None


def test_a_change_of_phase_is_judged_at_once_and_what_goes_on_every_five_minutes() -> None:
    """Whenever the phase of charging or the use changes the rules are judged in the same step, however short ago they were; otherwise not before five minutes."""
    state = begin(Battery("heron", "agm", 100.0, initial_state_of_charge_pct=60.0))
    samples: list[Sample] = [*[(12.2, -9.0, 15.0)] * 33, *[(12.9, 9.0, 15.0)] * 11, *[(12.2, -9.0, 15.0)] * 33]
    changes, waits = 0, []
    for i, (v, a, t) in enumerate(samples):
        at_ms = START_MS + i * 60_000
        before, (state, _) = state, step(state, Reading("heron", at_ms, v, a, t))
        if turns(state) != turns(before):
            changes += 1
            assert state.judged_ms == at_ms
        elif state.judged_ms != before.judged_ms and state.trend.hour.at_h == before.trend.hour.at_h:
            waits.append(state.judged_ms - before.judged_ms)
    assert changes >= 3
    assert len(waits) >= 8
    assert all(wait >= 300_000 for wait in waits)
