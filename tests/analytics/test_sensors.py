"""Sensors that fail, and owners who declare the wrong thing: the estimate stays bounded, the interval opens, a finding names it.

The readings are recorded traces (tests/truth/README.md) with one thing spoilt. Values of faulty sensors: common practice, no source.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from math import sqrt
from typing import NamedTuple

import pytest

from analytics import core
from analytics.assessment import Finding
from analytics.battery import Battery
from analytics.reading import Note, Reading
from analytics.rules import RULES
from tests.score.remade import Row
from tests.score.scoring import reading
from tests.score.traces import trace, traces

FROM = 2000
ROWS = 5500
SENSOR_RULES = {r.name for r in RULES if r.name.startswith("sensor_")}


class Run(NamedTuple):
    """What a fold showed: first finding of each sensor rule, error, cover and last width in points, and the state."""

    found: dict[str, Finding]
    rmse: float
    cover_pct: float
    width: float
    state: core.State


def run(battery: Battery, rows: list[Row]) -> Run:
    state, found = core.begin(battery), {}
    squares = covers = width = 0.0
    for row in rows:
        state, outcome = core.step(state, reading(row))
        for finding in state.details.findings:
            if finding.rule in SENSOR_RULES:
                found.setdefault(finding.rule, finding)
        a, truth = outcome.assessment, min(100.0, 100 * row.soc_truth)
        assert a.state_of_charge_pct is not None
        assert a.state_of_charge_low_pct is not None
        assert a.state_of_charge_high_pct is not None
        assert 0 <= a.state_of_charge_low_pct <= a.state_of_charge_pct <= a.state_of_charge_high_pct <= 100
        squares += (a.state_of_charge_pct - truth) ** 2
        covers += a.state_of_charge_low_pct <= truth <= a.state_of_charge_high_pct
        width = a.state_of_charge_high_pct - a.state_of_charge_low_pct
    return Run(found, sqrt(squares / len(rows)), 100 * covers / len(rows), width, state)


def partial() -> tuple[Battery, list[Row]]:
    """An aged flooded battery in daily use, one reading a minute."""
    t = trace("f_partial_2")
    return t.battery(), t.rows()[:ROWS]


def spoilt(change: Callable[[Row, Row], Row]) -> list[Row]:
    """The rows, from one on changed by `change(row, the row at which it begins)`."""
    _, rows = partial()
    return [change(r, rows[FROM]) if k > FROM else r for k, r in enumerate(rows)]


@cache
def healthy() -> Run:
    return run(*partial())


@pytest.mark.parametrize("name", [t.name for family in ("porous", "kinetic", "lifepo4") for t in traces(family)])
def test_no_healthy_sensor_is_suspected(name: str) -> None:
    """On recordings whose sensors are only as wrong as their makers say, no sensor rule speaks."""
    t = trace(name)
    rows = t.rows()
    assert run(t.battery(), rows[: len(rows) // 3]).found == {}


def test_a_stuck_current_is_found_and_the_voltage_takes_over() -> None:
    """A shunt stuck at its last value is named within hours; by voltage alone the truth stays within the interval."""
    battery, _ = partial()
    got = run(battery, spoilt(lambda r, at: r._replace(current_a=at.current_a)))
    assert "sensor_stuck_current" in got.found
    assert got.cover_pct > 80
    assert got.width > healthy().width


def test_a_stuck_voltage_is_found_and_the_interval_opens() -> None:
    """A voltmeter stuck at its last value is named once charge was drawn, and the interval opens wide."""
    battery, _ = partial()
    got = run(battery, spoilt(lambda r, at: r._replace(voltage_v=at.voltage_v)))
    assert "sensor_stuck_voltage" in got.found
    assert got.width > 3 * healthy().width


@pytest.mark.parametrize("code_c", [85.0, -127.0])
def test_a_thermometers_fault_code_is_ignored_and_named(code_c: float) -> None:
    """85 and -127 °C are what digital thermometers send when they fail (common practice): ignored, and said."""
    battery, _ = partial()
    got = run(battery, spoilt(lambda r, _: r._replace(temperature_c=code_c)))
    assert set(got.found) == {"sensor_thermometer"}
    assert got.rmse < healthy().rmse + 1.5


def test_a_reversed_shunt_is_found_within_a_day() -> None:
    """A shunt the wrong way round is named, and after that the voltage alone is believed."""
    battery, rows = partial()
    got = run(battery, [r._replace(current_a=-r.current_a) for r in rows])
    assert "sensor_reversed" in got.found
    assert got.state.belief.habit is not None
    assert got.state.belief.habit.blind
    assert got.width > 1.5 * healthy().width


def test_a_turned_shunt_is_believed_again_once_it_is_turned_back() -> None:
    """After the sign is put right, the current counts again."""
    battery, rows = partial()
    got = run(battery, [r._replace(current_a=-r.current_a) if k < FROM else r for k, r in enumerate(rows)])
    assert got.state.belief.habit is not None
    assert not got.state.belief.habit.blind


def test_thirty_silent_days_open_the_interval_and_blame_nobody() -> None:
    """A 30-day gap is doubt, not a sensor fault; the first voltage after it closes the doubt again."""
    battery, _ = partial()
    got = run(battery, spoilt(lambda r, _: r._replace(time_s=r.time_s + 30 * 86400)))
    assert got.found == {}
    assert got.rmse < 6


@pytest.mark.parametrize("declared_ah", [60.0, 140.0])
def test_a_wrong_capacity_is_found_within_days(declared_ah: float) -> None:
    """84 Ah declared as 60 or 140: within four days the learned capacity has moved most of the way towards the truth."""
    battery, rows = partial()
    got = run(replace(battery, rated_capacity_ah=declared_ah), rows)
    capacity = next(v for v in core.estimate.learned(got.state.model, got.state.belief) if v.name == "usable_capacity_ah")
    assert abs(capacity.value - 84) < 0.75 * abs(declared_ah - 84)
    assert got.rmse < 8


def test_a_wrong_chemistry_is_found_within_days() -> None:
    """A flooded battery declared as AGM, start unknown: the rule on its voltage speaks, and the estimate stays bounded."""
    battery, rows = partial()
    got = run(replace(battery, chemistry="agm", rest_voltage_table=None, initial_state_of_charge_pct=None), rows)
    assert "sensor_table" in got.found
    assert got.rmse < 15


@cache
def off_by_300_ma() -> Run:
    t = trace("c_storage_2")
    return run(t.battery(), [r._replace(current_a=r.current_a + 0.30) for r in t.rows()[:3000]])


def test_an_offset_beyond_what_is_stated_is_proposed_as_a_calibration() -> None:
    """A stored battery whose shunt shows 300 mA too much (stated: 50 mA): found by voltage against count, with its sign and size."""
    got = off_by_300_ma()
    assert "sensor_offset" in got.found
    assert core.estimate.current_offset_a(got.state.belief) == pytest.approx(0.30, abs=0.08)
    assert got.rmse < 5


def test_what_a_held_battery_gasses_is_not_called_an_offset() -> None:
    """The same 300 mA too much are an offset in storage, and may be gas in a battery of 400 Ah that a charger holds: then nothing is said."""
    state = off_by_300_ma().state
    judge = next(r.judge for r in RULES if r.name == "sensor_offset")
    assert state.last_ms is not None
    view = core.view_of(state, state.last_ms, ticked=False)
    assert judge(view, False) is not None
    view.model, view.care = replace(view.model, capacity_ah=400.0), view.care._replace(lately_h=24.0)
    assert judge(view, False) is None


def test_a_battery_swapped_in_the_middle_is_bounded_and_then_tracked() -> None:
    """Another battery between two readings: the estimate moves to it, with the truth inside the interval most of the time."""
    battery, rows = partial()
    t = trace("d_deep")
    other = [r._replace(time_s=r.time_s + rows[3000].time_s) for r in t.rows()[2500:5500]]
    got = run(battery, rows[:3000] + other)
    assert got.rmse < 12
    assert got.cover_pct > 70


def test_late_and_doubled_rows_change_nothing() -> None:
    """Rows that arrive late or twice leave the estimate as it was."""
    battery, rows = partial()
    state = core.begin(battery)
    for row in rows[:500]:
        state, _ = core.step(state, reading(row))
    for row in (rows[499], rows[200]):
        after, outcome = core.step(state, reading(row))
        assert outcome.ignored in ("late", "duplicate")
        assert after == state


def test_a_replacement_clears_the_suspicions() -> None:
    """What was suspected of the old battery's readings is forgotten with it."""
    battery, rows = partial()
    state = core.begin(battery)
    for row in rows[:300]:
        state, _ = core.step(state, reading(row))
    state, _ = core.step(state, Note("x", round(rows[300].time_s * 1000), "replaced"))
    assert state.sensors.same_a is None
    assert state.sensors.steps == 0


def standing_shunt(current_a: float, volts: Callable[[int], float]) -> set[str]:
    """The sensor rules that speak over a day of five-minute readings at one unchanging current."""
    declared = Battery("b", "agm", 100.0, cells=6, initial_state_of_charge_pct=80.0)
    state, found = core.begin(declared), set()
    for k in range(288):
        state, _ = core.step(state, Reading("b", 1_767_225_600_000 + 300_000 * k, round(volts(k), 2), current_a, 15.0))
        found |= {f.rule for f in state.details.findings if f.rule in SENSOR_RULES}
    return found


def test_a_resting_shunt_may_repeat_itself_while_surface_charge_fades() -> None:
    """Hours of the same 40 mA after a charge, while the voltage sinks by half a volt, are an honest shunt at rest."""
    assert "sensor_stuck_current" not in standing_shunt(-0.04, lambda k: 12.75 + 0.5 * 0.97**k)


def test_a_shunt_that_sees_nothing_while_a_charger_lifts_the_battery_is_named() -> None:
    """A battery that is not full rises by a volt, and the shunt goes on repeating its zero."""
    assert "sensor_stuck_current" in standing_shunt(0.0, lambda k: 12.4 if k < 100 else min(14.4, 12.8 + 0.02 * (k - 100)))


def test_a_battery_that_collapses_empty_does_not_turn_the_shunt_round() -> None:
    """Below 11.4 V the voltage falls whatever the load does: load steps there say nothing of the shunt's sign."""
    declared = Battery("b", "agm", 100.0, cells=6, initial_state_of_charge_pct=20.0)
    state = core.begin(declared)
    for k in range(120):
        state, _ = core.step(state, Reading("b", 1_767_225_600_000 + 60_000 * k, 11.2 - 0.03 * k, -7.0 if k % 2 else -7.0 + k % 4, 15.0))
        assert "sensor_reversed" not in {f.rule for f in state.details.findings}
