"""The step fold: what is ignored, what closes a span, what survives being kept and loaded."""

import json
import zlib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import keep
from analytics.battery import Battery
from analytics.chemistries import CHEMISTRIES
from analytics.core import State, begin, step
from analytics.fold import fold
from analytics.reading import Note, Reading, Tick, on_the_grid
from tests.backtest.fleet import used

START_MS = 1_790_000_000_000


def battery(chemistry: str = "agm") -> Battery:
    return Battery("heron", chemistry, 100.0)


def stream() -> st.SearchStrategy[list[Reading]]:
    """Any readings a decoder could give, at irregular times, some going back."""
    one = st.tuples(
        st.integers(-5_000, 4_000_000),
        st.floats(0, 60, allow_nan=False),
        st.none() | st.floats(-400, 400),
        st.none() | st.floats(-60, 120),
        st.none() | st.floats(-1e4, 1e4),
    )

    def joined(rows: list[tuple[int, float, float | None, float | None, float | None]]) -> list[Reading]:
        at_ms, readings = START_MS, []
        for passed, v, i, t, q in rows:
            at_ms += passed
            readings.append(on_the_grid(Reading("heron", at_ms, v, i, t, q)))
        return readings

    return st.lists(one, min_size=1, max_size=40).map(joined)


def folded(state: State, readings: list[Reading]) -> State:
    for reading in readings:
        state, _ = step(state, reading)
    return state


@settings(max_examples=60, deadline=None)
@given(stream(), st.sampled_from(sorted(CHEMISTRIES)))
def test_any_stream_gives_a_bounded_estimate(readings: list[Reading], chemistry: str) -> None:
    """Whatever a sensor says, the estimate lies in its interval and the interval within 0 to 100 %."""
    state = begin(battery(chemistry))
    for reading in readings:
        state, outcome = step(state, reading)
        a = outcome.assessment
        if a.state_of_charge_pct is not None:
            assert a.state_of_charge_low_pct is not None
            assert a.state_of_charge_high_pct is not None
            assert 0 <= a.state_of_charge_low_pct <= a.state_of_charge_pct <= a.state_of_charge_high_pct <= 100


@settings(max_examples=60, deadline=None)
@given(stream(), st.integers(0, 40))
def test_a_state_kept_and_loaded_anywhere_goes_on_as_if_nothing_happened(readings: list[Reading], cut: int) -> None:
    """Saving after any reading and loading gives the same state at the end, but for the details that are made again."""
    whole = folded(begin(battery()), readings)
    first = folded(begin(battery()), readings[:cut])
    second = folded(keep.loads(battery(), keep.dumps(first)), readings[cut:])
    assert keep.dumps(second) == keep.dumps(whole)


def test_a_kept_state_is_small() -> None:
    """A week of readings with load, charge and rest leaves at most 2 kB of state."""
    state = begin(battery())
    for minute in range(7 * 24 * 60):
        hour = minute // 60 % 24
        amps = 12.0 if 10 <= hour < 14 else -4.0 if hour >= 18 else -0.1
        state, _ = step(state, Reading("heron", START_MS + minute * 60_000, 12.6 + amps * 0.05, amps, 15.0))
    assert len(keep.dumps(state)) <= 2048


def test_a_state_of_another_version_is_refused() -> None:
    """Bytes of another schema raise SchemaError, though they have as many parts as ours, and ours with a part less or more: history is folded instead
    of half-understood state."""
    schema, *parts = json.loads(zlib.decompress(keep.dumps(begin(battery()))))
    others = [json.dumps(state).encode() for state in ([schema - 1, *parts], [schema, *parts[:-1]], [schema, *parts, None])]
    for kept in (*(zlib.compress(text) for text in (*others, b"[99]", b"[1, 2]", b"{}", b"not json", b"[]")), b"not deflated", b""):
        try:
            keep.loads(battery(), kept)
        except keep.SchemaError:
            continue
        raise AssertionError(kept)


def test_a_reading_that_is_not_newer_changes_nothing_and_says_so() -> None:
    """The same time twice is a duplicate, an earlier one is late: the state is the same object."""
    state, _ = step(begin(battery()), Reading("heron", START_MS, 12.6, -1.0))
    again, outcome = step(state, Reading("heron", START_MS, 12.6, -1.0))
    assert again is state
    assert outcome.ignored == "duplicate"
    earlier, outcome = step(state, Reading("heron", START_MS - 1, 12.6, -1.0))
    assert earlier is state
    assert outcome.ignored == "late"


def test_a_tick_closes_the_open_span_once() -> None:
    """Time alone closes a span, and a second tick does not close it again."""
    state, _ = step(begin(battery()), Reading("heron", START_MS, 12.6, -1.0))
    assert state.open_span is not None
    state, _ = step(state, Tick("heron", START_MS + 120_000))
    assert state.open_span is None
    assert state.span is not None
    span = state.span
    state, _ = step(state, Tick("heron", START_MS + 180_000))
    assert state.span == span


def test_a_fold_never_looks_ahead() -> None:
    """The outcomes of a recording cut in the middle are those of the whole recording up to there."""
    readings = [Reading("heron", START_MS + i * 600_000, 12.7 - i * 0.004, -1.5, 10.0) for i in range(200)]
    whole = [o for _, _, o in fold(begin(battery()), readings)]
    part = [o for _, _, o in fold(begin(battery()), readings[:90])]
    assert whole[: len(part)] == part


def test_notes_of_every_kind_are_folded_before_and_after_the_first_reading() -> None:
    """A person may write something down at any time."""
    state = begin(battery())
    notes = [("check", 12.62), ("mode", "stored"), ("charged", None), ("forget", "all"), ("coldest", -8.0), ("replaced", None)]
    for i, (kind, value) in enumerate(notes):
        state, _ = step(state, Note("heron", START_MS + i, kind, value, "Ada"))
    state, _ = step(state, Reading("heron", START_MS + 10_000, 12.6, -1.0))
    for i, (kind, value) in enumerate(notes):
        state, outcome = step(state, Note("heron", START_MS + 20_000 + i, kind, value, "Ada"))
        assert outcome.ignored is None
    assert keep.dumps(keep.loads(battery(), keep.dumps(state))) == keep.dumps(state)


def test_details_are_never_old_and_follow_a_strong_current() -> None:
    """What is said is made anew with each hour, each half hour while a charge runs, and with every judgement while a strong
    current moves the charge."""
    for amps, volts, most_min in ((-1.0, 12.4, 75), (4.0, 13.9, 45), (-20.0, 12.4, 6)):
        state = begin(battery())
        for minute in range(180):
            at_ms = START_MS + minute * 60_000
            state, outcome = step(state, Reading("heron", at_ms, volts, amps, 15.0))
            assert minute < 20 or at_ms - outcome.assessment.details.at_ms < most_min * 60_000
        assert state.details.at_ms > 0


@pytest.mark.parametrize("number", [1, 2, 3])
def test_twice_the_cells_at_twice_the_voltage_are_told_the_same(number: int) -> None:
    """Two equal batteries in series carry the same charge (circuit law): a 24 V bank on tour is believed, and warned of, as its half is.

    Flooded and lithium with an owner's table, AGM without one. Doubling is exact in binary numbers, so nothing may differ.
    """
    vehicle = used(number, 71, 3)
    half = vehicle.battery
    table = half.rest_voltage_table and tuple((pct, 2 * volts) for pct, volts in half.rest_voltage_table)
    sensor = replace(half.sensor, voltage_offset_v=2 * half.sensor.voltage_offset_v)
    states = [begin(half), begin(replace(half, cells=2 * half.cells, rest_voltage_table=table, sensor=sensor))]
    lowest_pct = 100.0
    for told in vehicle.life:
        if told.reading is None:
            continue
        outcomes = []
        for k, times in enumerate((1, 2)):
            states[k], outcome = step(states[k], told.reading._replace(voltage_v=times * told.reading.voltage_v))
            a = outcome.assessment
            outcomes.append((a.state_of_charge_pct, a.state_of_charge_low_pct, a.charge_phase, [(e.rule, e.kind) for e in outcome.events]))
        assert outcomes[0] == outcomes[1]
        lowest_pct = min(lowest_pct, outcomes[0][0] or lowest_pct)
    assert lowest_pct < 95
