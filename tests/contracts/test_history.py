"""The contract of History, run on every implementation: in memory, on SQLite, on PostgreSQL and on InfluxDB (the ids say which)."""

from collections.abc import Iterator
from pathlib import Path
from random import Random
from statistics import fmean

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from analytics.assessment import Assessment, Details
from analytics.reading import Reading, on_the_grid
from api.history.columns import width_ms
from api.history.influx import InfluxHistory
from api.history.memory import MemoryHistory
from api.history.sql import SqlHistory
from tests.databases import KINDS, fresh, postgres_url  # noqa: F401 - a fixture
from tests.influx import USED, influx

T0 = 1_790_000_000_000
MINUTE = 60_000
DETAILS = Details(0)
AnyHistory = MemoryHistory | SqlHistory | InfluxHistory


@pytest.fixture(params=["memory", *KINDS, USED])
def history(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[AnyHistory]:
    """Each implementation, empty."""
    if request.param == "memory":
        yield MemoryHistory()
    elif request.param == USED:
        with influx(tmp_path) as settings:
            kept = InfluxHistory(settings, lambda: T0)
            yield kept
            kept.server.close()
    else:
        with fresh(request.param, tmp_path, request) as database:
            yield SqlHistory(database)


def pair(battery_id: str, at_ms: int, voltage_v: float = 12.6, current_a: float | None = -1.0, pct: float | None = 80.0, phase: str = "resting",
         **more: object) -> tuple[Reading, Assessment]:  # fmt: skip
    """A reading on the grid and what was believed with it."""
    reading = on_the_grid(Reading(battery_id, at_ms, voltage_v, current_a, **more))  # type: ignore[arg-type]
    low, high = (None, None) if pct is None else (pct - 5, min(pct + 5, 100.0))
    return reading, Assessment(battery_id, at_ms, reading.voltage_v, current_a, reading.temperature_c, pct, low, high, phase, None, DETAILS)


def test_nothing_kept_reads_as_nothing(history: AnyHistory) -> None:
    """A battery never heard of has no readings, no last time and empty columns."""
    assert history.last_ms("van") is None
    assert list(history.readings("van", 0)) == []
    assert history.read("van", 0, T0, 10).time_ms == []


def test_readings_come_back_exactly_in_order(history: AnyHistory) -> None:
    """What was folded comes back equal, float for float, by time and sequence, whatever the order of arrival."""
    random = Random(4)
    pairs = [
        pair("van", T0 + i * 700, random.uniform(0, 60), random.choice([None, random.uniform(-900, 900)]), sequence=i % 3,
             temperature_c=random.choice([None, random.uniform(-40, 60)]), charge_ah=random.choice([None, random.uniform(-400, 400)]))
        for i in range(500)
    ]  # fmt: skip
    shuffled = random.sample(pairs, len(pairs))
    history.keep(shuffled[:200])
    history.keep(shuffled[200:])
    assert list(history.readings("van", 0)) == [reading for reading, _ in pairs]
    assert history.last_ms("van") == pairs[-1][0].at_ms


def test_a_stretch_is_half_open(history: AnyHistory) -> None:
    """A stretch holds its beginning and not its end."""
    history.keep([pair("van", T0 + i) for i in range(5)])
    assert [r.at_ms - T0 for r in history.readings("van", T0 + 1, T0 + 3)] == [1, 2]
    assert history.read("van", T0 + 1, T0 + 3, 10).time_ms == [T0 + 1, T0 + 2]


def test_the_same_reading_twice_changes_nothing(history: AnyHistory) -> None:
    """A (battery, time, sequence) that is kept stays as it was first."""
    history.keep([pair("van", T0, 12.6, sequence=7)])
    history.keep([pair("van", T0, 13.9, sequence=7), pair("van", T0, 12.7, sequence=8)])
    assert [(r.voltage_v, r.sequence) for r in history.readings("van", 0)] == [(12.6, 7), (12.7, 8)]


def test_batteries_are_kept_apart(history: AnyHistory) -> None:
    """One battery's readings never show in another's."""
    history.keep([pair("a", T0, 12.1), pair("b", T0, 12.2), pair("a", T0 + 1, 12.3)])
    assert [r.voltage_v for r in history.readings("a", 0)] == [12.1, 12.3]
    assert history.read("b", T0, T0 + 2, 5).values["voltage_v"] == [12.2]


def test_few_readings_are_given_one_by_one(history: AnyHistory) -> None:
    """Where all fit, each reading is a point with its belief and its phase."""
    history.keep([pair("van", T0, 12.61, -0.5, 81.25, "discharging"), pair("van", T0 + MINUTE, 12.6, None, None, "resting")])
    columns = history.read("van", T0, T0 + 10 * MINUTE, 100)
    assert columns.every_ms is None
    assert columns.values["voltage_v"] == [12.61, 12.6]
    assert columns.values["current_a"] == [-0.5, None]
    assert columns.values["state_of_charge_pct"] == [81.25, None]
    assert columns.values["state_of_charge_low_pct"] == [76.25, None]
    assert columns.phases == ["discharging", "resting"]


def test_the_interval_is_kept_outwards(history: AnyHistory) -> None:
    """The kept interval holds the believed one and is at most 0.2 % wider at each end."""
    random = Random(5)
    pairs = []
    for i in range(200):
        low, pct, high = sorted(round(random.uniform(0, 100), 2) for _ in range(3))
        reading, assessment = pair("van", T0 + i)
        pairs.append((reading, assessment._replace(state_of_charge_pct=pct, state_of_charge_low_pct=low, state_of_charge_high_pct=high)))
    history.keep(pairs)
    columns = history.read("van", T0, T0 + 200, 1000)
    for (_, believed), low_pct, high_pct in zip(
        pairs, columns.values["state_of_charge_low_pct"], columns.values["state_of_charge_high_pct"], strict=True
    ):
        assert low_pct is not None
        assert high_pct is not None
        assert 0 <= low_pct <= believed.state_of_charge_low_pct < low_pct + 0.2001
        assert high_pct - 0.2001 < believed.state_of_charge_high_pct <= high_pct <= 100


def test_many_readings_are_joined_with_their_extremes(history: AnyHistory) -> None:
    """A burst between points stays visible: each point has the mean, the least and the greatest."""
    pairs = [pair("van", T0 + i * 1000, 12.0 + (i % 10) / 10, -300.0 if i == 777 else -1.0) for i in range(3600)]
    history.keep(pairs)
    columns = history.read("van", T0, T0 + 3_600_000, 60)
    assert columns.every_ms is not None
    assert 10 < len(columns.time_ms) <= 60
    assert columns.values["current_a_min"].count(-300.0) == 1
    assert min(v for v in columns.values["voltage_v_min"] if v is not None) == 12.0
    assert max(v for v in columns.values["voltage_v_max"] if v is not None) == 12.9
    first = [r.voltage_v for r, _ in pairs if r.at_ms < columns.time_ms[1]]
    assert columns.values["voltage_v"][0] == pytest.approx(fmean(first), abs=5e-5)


def test_a_silence_is_a_row_of_none(history: AnyHistory) -> None:
    """No line is drawn over silence: a row without values stands in the gap, joined or not."""
    history.keep([pair("van", T0 + i * MINUTE) for i in [*range(60), *range(300, 360)]])
    raw = history.read("van", T0, T0 + 360 * MINUTE, 1000)
    joined = history.read("van", T0, T0 + 360 * MINUTE, 100)
    for columns in (raw, joined):
        silent = [i for i, v in enumerate(columns.values["voltage_v"]) if v is None]
        assert len(silent) == 1
        at = silent[0]
        assert columns.time_ms[at - 1] < columns.time_ms[at] < columns.time_ms[at + 1]
        assert columns.phases[at] is None
        assert all(column[at] is None for column in columns.values.values())


def test_an_hourly_sender_has_no_gaps(history: AnyHistory) -> None:
    """A sensor that speaks once an hour is not silent between, even where points are narrower."""
    history.keep([pair("van", T0 + i * 60 * MINUTE) for i in range(100)])
    for points in (1000, 90):
        assert None not in history.read("van", T0, T0 + 100 * 60 * MINUTE, points).values["voltage_v"]


@pytest.mark.parametrize(("from_ms", "to_ms", "points"), [(T0, T0, 5), (T0, T0 - 1, 5), (T0, T0 + 1, 0), (T0, T0 + 1, -3)])
def test_an_impossible_question_is_refused(history: AnyHistory, from_ms: int, to_ms: int, points: int) -> None:
    """An empty stretch or no points is a mistake of the caller and says so."""
    with pytest.raises(ValueError, match="expected"):
        history.read("van", from_ms, to_ms, points)


@given(st.lists(st.integers(0, 5_000_000), max_size=120), st.integers(0, 4_000_000), st.integers(1, 4_000_000), st.integers(1, 40))
@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_never_more_points_than_asked_and_all_alike(
    tmp_path_factory: pytest.TempPathFactory, times: list[int], begin: int, long: int, points: int
) -> None:
    """Any stretch is answered with at most the points asked for, in rising time, and SQL answers as memory does."""
    memory = MemoryHistory()
    pairs = [pair("van", T0 + at, 12 + at % 7 / 10, -float(at % 11), 50 + at % 40) for at in times]
    memory.keep(pairs)
    expected = memory.read("van", T0 + begin, T0 + begin + long, points)
    assert len(expected.time_ms) <= points
    assert expected.time_ms == sorted(set(expected.time_ms))
    with fresh("sqlite", tmp_path_factory.mktemp("db"), None) as database:  # type: ignore[arg-type]
        sql = SqlHistory(database)
        sql.keep(pairs)
        assert sql.read("van", T0 + begin, T0 + begin + long, points) == expected


@given(st.integers(0, 1 << 45), st.integers(1, 1 << 42), st.integers(1, 5000))
def test_a_width_gives_at_most_the_points(from_ms: int, long_ms: int, points: int) -> None:
    """The chosen width cuts any stretch into at most the points asked for, or into two where a boundary falls into it."""
    width = width_ms(from_ms, from_ms + long_ms, points)
    first, last = from_ms // width, (from_ms + long_ms - 1) // width
    assert last - first + 1 <= points
