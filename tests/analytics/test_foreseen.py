"""What must be foreseen, and what must not, on batteries whose true charge is known, and where charger, sensor or clock mislead."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from analytics.assessment import AlertEvent
from analytics.battery import Battery
from analytics.core import State, begin
from analytics.fold import fold
from analytics.reading import Reading, on_the_grid
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, began, folded, held, kinds, resting
from tests.score.traces import Trace, trace


def lived(t: Trace, battery: Battery) -> tuple[State, list[AlertEvent]]:
    """A trace with a realistic sensor, in arrival order, and what was told of it; time counts from the trace's beginning."""
    with_current = battery.sensor.measures_current
    rows = (
        Reading(battery.id, round(1000 * r.time_s), r.voltage_v, r.current_a if with_current else None, r.temperature_c) for r in t.rows()
    )
    state, events = begin(battery), list[AlertEvent]()
    for after, _, outcome in fold(state, (on_the_grid(row) for row in rows)):
        state = after
        events.extend(outcome.events)
    return state, events


def crossing_ms(t: Trace, fraction: float) -> int:
    """When the true state of charge first falls below."""
    return min(round(1000 * r.time_s) for r in t.rows() if r.soc_truth < fraction)


@pytest.mark.parametrize("name", ["c_storage", "c_storage_2"])
@pytest.mark.parametrize("shift_v", [-0.03, 0.0, 0.03])
@pytest.mark.parametrize("shunt", [True, False], ids=["shunt", "voltage only"])
def test_a_stored_battery_is_warned_of_days_before_and_the_warning_stays(name: str, shift_v: float, shunt: bool) -> None:
    """With the owner's table up to 30 mV off and no declared start, with and without a shunt: 14 to 3 days before the true charge passes
    50 %, once, and it stands to the end."""
    t = trace(name)
    battery = t.battery(shift_v=shift_v, known_start=shift_v == 0.0)
    _, events = lived(t, replace(battery, sensor=replace(battery.sensor, measures_current=shunt)))
    assert kinds(events, "forecast_low") == ["began"]
    lead_days = (crossing_ms(t, 0.5) - began(events, "forecast_low").at_ms) / DAY_MS
    assert 3 <= lead_days <= 14


def test_without_any_table_a_stored_battery_is_still_warned_of_in_time() -> None:
    """Only chemistry and capacity are declared and only voltage is measured: the warning comes three days to three weeks before."""
    t = trace("c_storage")
    battery = t.battery(own_table=False, known_start=False)
    _, events = lived(t, replace(battery, sensor=replace(battery.sensor, measures_current=False)))
    assert 3 <= (crossing_ms(t, 0.5) - began(events, "forecast_low").at_ms) / DAY_MS <= 21


@pytest.mark.parametrize("name", ["a_weekend", "a_weekend_2"])
def test_no_burst_of_a_mover_raises_a_low_alert(name: str) -> None:
    """90 to 116 A for seconds: nothing low or deep is said while the true charge is above the limit."""
    t = trace(name)
    low = [r.time_s for r in t.rows() if r.soc_truth < 0.5]
    _, events = lived(t, t.battery())
    early = [
        e for e in events if e.rule in ("low_voltage", "deep_discharge") and e.kind == "began" and (not low or e.at_ms < 1000 * min(low))
    ]
    assert not early
    assert any(r.current_a < -80 for r in t.rows())


@pytest.mark.parametrize("name", ["d_deep", "d_deep_2"])
def test_a_deep_discharge_is_announced_before_a_fifth_is_left(name: str) -> None:
    """The forecast first, then low, then deep, each before it is too late."""
    t = trace(name)
    _, events = lived(t, t.battery())
    foreseen, low, deep = (began(events, rule).at_ms for rule in ("forecast_low", "low_voltage", "deep_discharge"))
    assert foreseen < crossing_ms(t, 0.5) - HOUR_MS
    assert foreseen < low < deep < crossing_ms(t, 0.2)


@pytest.mark.parametrize(
    ("own_table", "shunt"), [(True, True), (True, False), (False, True), (False, False)],
)  # fmt: skip
def test_a_flat_curve_makes_no_fall(own_table: bool, shunt: bool) -> None:
    """Sixty days of LiFePO4 in storage, never below 54 %: no forecast, whatever is known of it."""
    t = trace("h_lfp_storage")
    battery = t.battery(own_table=own_table, known_start=False)
    _, events = lived(t, replace(battery, sensor=replace(battery.sensor, measures_current=shunt)))
    assert not kinds(events, "forecast_low")


@pytest.mark.parametrize("above_v", [0.0, 0.1])
def test_a_slow_fall_beside_an_unknown_table_is_foreseen_in_time(above_v: float) -> None:
    """Half a percent a day, no table, and a battery that stands above the published one: a point of charge is two days, so it is told sooner."""
    battery = Battery("heron", "efb", 95.0, initial_state_of_charge_pct=71.0)
    _, events = folded(battery, resting(battery, 36, 70, 0.55, offset_v=above_v))
    assert began(events, "forecast_low").at_ms <= START_MS + (20 / 0.55 - 3) * DAY_MS


@pytest.mark.parametrize("offset_a", [-0.6, 0.6])
def test_a_shunt_with_a_large_offset_invents_no_fall(offset_a: float) -> None:
    """0.6 A shown where nothing flows, on a battery that rests at 85 %: neither in the first days nor later is it said to fall."""
    battery = agm(initial_state_of_charge_pct=85.0)
    _, events = folded(battery, resting(battery, 12, 85, current_a=offset_a))
    assert not kinds(events, "forecast_low")
    assert not kinds(events, "low_voltage")


def on_a_maintainer(battery: Battery, current_a: float | None) -> Iterator[Reading]:
    """Plugged in on the 26th day: bulk, then float for two weeks."""
    from_ms = START_MS + 26 * DAY_MS
    yield from held(battery, 10, 14.4, from_ms, None if current_a is None else 8.0)
    yield from held(battery, 14 * 24, 13.6, from_ms + 10 * HOUR_MS, current_a, every_ms=30 * 60_000)


@pytest.mark.parametrize("current_a", [None, 0.05])
def test_a_forecast_ends_while_the_battery_floats(current_a: float | None) -> None:
    """Warned of, then put on a maintainer that never leaves: the warning is over within a day, aloud."""
    battery = agm(initial_state_of_charge_pct=75.0)
    life = resting(battery, 26, 75, 1.0, current_a=None if current_a is None else -0.04)
    state, events = folded(battery, life, on_a_maintainer(battery, current_a))
    assert kinds(events, "forecast_low") == ["began", "ended"]
    ended = next(e for e in events if e.rule == "forecast_low" and e.kind == "ended")
    assert ended.at_ms - (START_MS + 26 * DAY_MS) < DAY_MS + HOUR_MS
    assert not [s for s in state.alerts.standing if s.began_ms is not None]
