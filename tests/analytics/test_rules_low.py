"""Low, deep, falling: bursts never alarm, slow drains do, the end of discharge does at once, and a fall is foreseen."""

from collections.abc import Iterator

import pytest

from analytics.battery import Battery
from analytics.core import begin, view_of
from analytics.reading import Note, Reading
from analytics.rules import PACES, Said, soon
from analytics.rules.forecast_low import FORECAST_LOW
from analytics.trend.forecast import forecast_of
from analytics.use import UseMemory
from analytics.view import View
from simulators.battery import SimulatedBattery
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, began, folded, held, kinds, resting, silent

LOW = ("low_voltage", "deep_discharge")


def lived(
    truth: SimulatedBattery, seconds: float, current_a: float, every_s: float, from_ms: int, *, measured: bool = True
) -> Iterator[Reading]:
    """A simulated battery under a steady load, read without noise."""
    for i in range(1, int(seconds / every_s) + 1):
        truth.draw(every_s, current_a, 20.0)
        yield Reading("heron", from_ms + round(i * every_s * 1000), round(truth.voltage_v, 3), current_a if measured else None, 20.0)


def simulated(fraction: float) -> tuple[SimulatedBattery, Battery]:
    return SimulatedBattery("agm", 100.0, state_of_charge=fraction, temperature_c=20), agm(initial_state_of_charge_pct=100 * fraction)


@pytest.mark.parametrize("measured", [True, False])
@pytest.mark.parametrize(("current_a", "seconds"), [(-300.0, 8.0), (-142.0, 120.0)])
def test_bursts_of_mover_and_inverter_never_alarm(current_a: float, seconds: float, measured: bool) -> None:
    """300 A for seconds or 1.5 kW for two minutes pulls the voltage down, not the charge."""
    truth, battery = simulated(0.8)
    lives, at_ms = [], START_MS
    lives.append(list(lived(truth, 3600, -1.0, 10, at_ms, measured=measured)))
    at_ms += 3_600_000
    for _ in range(6):
        lives.append(list(lived(truth, seconds, current_a, 2, at_ms, measured=measured)))
        at_ms += round(seconds * 1000)
        lives.append(list(lived(truth, 900, -1.0, 10, at_ms, measured=measured)))
        at_ms += 900_000
    lowest = min(r.voltage_v for life in lives for r in life)
    assert lowest < 11.9
    _, events = folded(battery, *lives)
    assert not [e for e in events if e.rule in LOW]


def test_a_slow_drain_alarms_once_below_the_limit() -> None:
    """2 A for a day from 70 %: one alert, near 50 %, that a charge ends."""
    truth, battery = simulated(0.7)
    state, events = folded(battery, lived(truth, 16 * 3600, -2.0, 60, START_MS))
    assert kinds(events, "low_voltage") == ["began"]
    alert = began(events, "low_voltage")
    at_pct = 70 - 2 * (alert.at_ms - START_MS) / HOUR_MS
    assert 42 < at_pct < 52
    assert dict(alert.finding.evidence)["safe_limit_pct"] == 50
    life = [
        Reading("heron", START_MS + 16 * HOUR_MS + i * 60_000, round(truth.voltage_v, 3), amps, 20.0)
        for i in range(1, 8 * 60)
        for amps in [truth.charge(60, 20.0, 14.4, 0.0, 20.0)]
    ]
    _, events = folded(battery, life, state=state)
    assert kinds(events, "low_voltage") == ["ended"]


@pytest.mark.parametrize(("left_on_a", "at_least_h"), [(-4.0, 5), (-0.5, 48)])
def test_a_load_left_on_in_storage_is_foreseen_within_hours(left_on_a: float, at_least_h: float) -> None:
    """Five quiet days, then a load that stays: neither the days before it nor the hours in which it has not been seen yet say that it stops."""
    truth, battery = simulated(0.93)
    came_ms = START_MS + 5 * DAY_MS
    _, events = folded(
        battery, lived(truth, 5 * 86_400, -0.03, 300, START_MS), lived(truth, round(30 / -left_on_a * 3600), left_on_a, 300, came_ms)
    )
    alert = began(events, "forecast_low")
    assert came_ms < alert.at_ms <= came_ms + 5 * HOUR_MS
    below_ms = came_ms + (0.92 - 0.5) * 100 / -left_on_a * HOUR_MS
    assert alert.at_ms + at_least_h * HOUR_MS <= below_ms
    assert dict(alert.finding.evidence)["latest_h"] is not None


def test_hours_of_work_in_a_parked_vehicle_are_not_a_load_left_on() -> None:
    """4 A for two and a half hours: somebody switched off again. It neither goes on, nor do the rest voltages before and after it fall."""
    truth, battery = simulated(0.93)
    lives = [lived(truth, round(lasts_h * 3600), amps, 300, START_MS + round(begins_h * HOUR_MS)) for lasts_h, amps, begins_h in
             [(120, -0.03, 0), (2.5, -4.0, 120), (120, -0.03, 122.5)]]  # fmt: skip
    _, events = folded(battery, *lives)
    assert not kinds(events, "forecast_low")


def test_the_limit_is_the_owners_if_he_names_one() -> None:
    """70 % set by hand alarms at 70 %."""
    truth, _ = simulated(0.8)
    battery = agm(initial_state_of_charge_pct=80.0, safe_limit_pct=70.0)
    _, events = folded(battery, lived(truth, 8 * 3600, -2.0, 60, START_MS))
    alert = began(events, "low_voltage")
    assert alert.finding.title == "Below the safe limit of 70 %"
    assert alert.finding.source == "set by the owner"


def test_twelve_point_four_volts_is_judged_by_chemistry() -> None:
    """The same 12.30 V at rest is half charged for AGM and far from it for flooded: only gel and AGM are near their limit."""
    low = {}
    for name in ("flooded", "agm", "gel"):
        battery = Battery("heron", name, 100.0)
        life = [Reading("heron", START_MS + i * 600_000, 12.25, None, 25.0) for i in range(1, 6 * 144)]
        low[name] = "began" in kinds(folded(battery, life)[1], "low_voltage")
    assert low == {"flooded": False, "agm": True, "gel": True}


def test_end_of_discharge_under_load_is_said_at_once() -> None:
    """10.4 V at 5 A of 100 Ah: high priority with the first minute (by the voltage itself or by what it says of the charge), cautions for a
    frozen battery included."""
    battery = agm(initial_state_of_charge_pct=60.0)
    life = [Reading("heron", START_MS + i * 30_000, 12.1, -5.0, 20.0) for i in range(1, 60)]
    low = [Reading("heron", START_MS + HOUR_MS + i * 30_000, 10.4, -5.0, 20.0) for i in range(1, 20)]
    _, events = folded(battery, life, low)
    alert = began(events, "deep_discharge")
    assert alert.priority == "high"
    assert alert.at_ms <= START_MS + HOUR_MS + 3 * 60_000
    assert "below the end of discharge of 10.50 V" in alert.finding.seen or "less than half of the safe limit is left" in alert.finding.seen
    assert "Never charge a frozen battery" in alert.finding.caution


def test_less_than_half_of_the_limit_is_deep() -> None:
    """A battery drained at rest to 20 % is announced as deeply discharged before it is empty."""
    battery = agm(initial_state_of_charge_pct=40.0)
    _, events = folded(battery, resting(battery, 12, 40, 2.0))
    assert 19 <= 40 - 2 * (began(events, "deep_discharge").at_ms - START_MS) / DAY_MS <= 27


def test_a_fall_is_foreseen_three_days_ahead_and_stays_until_a_charge() -> None:
    """1 % a day from 75 %: warned between ten and three days before day 25, one alert until the charge, then its end."""
    battery = agm(rest_voltage_table=tuple((p, 6 * v) for p, v in agm().kind.rest_voltage.rows))
    state, events = folded(battery, resting(battery, 31, 75, 1.0))
    assert kinds(events, "forecast_low") == ["began"]
    assert 3 <= 25 - (began(events, "forecast_low").at_ms - START_MS) / DAY_MS <= 12
    end_ms = START_MS + 31 * DAY_MS
    state, events = folded(
        battery, held(battery, 14, 14.4, end_ms), resting(battery, 3, 99, 0.3, from_ms=end_ms + 14 * HOUR_MS), state=state
    )
    assert kinds(events, "forecast_low") == ["ended"]
    assert kinds(events, "low_voltage") == ["ended"]


def test_the_response_time_is_the_owners() -> None:
    """Ten days to answer instead of three: warned a week or more earlier."""
    at = {}
    for hours in (72.0, 240.0):
        battery = agm(response_stored_h=hours)
        at[hours] = began(folded(battery, resting(battery, 25, 80, 1.0))[1], "forecast_low").at_ms
    assert at[72.0] - at[240.0] == pytest.approx(7 * DAY_MS, abs=4 * DAY_MS)


def test_a_battery_that_holds_is_never_said_to_fall() -> None:
    """Two months at 75 % with a trembling voltmeter and warm and cold weeks: no word."""
    battery = agm()
    life = [
        r._replace(temperature_c=8.0 + 6.0 * ((i // 336) % 3 - 1), voltage_v=r.voltage_v + 0.0006 * 6.0 * ((i // 336) % 3 - 1))
        for i, r in enumerate(resting(battery, 60, 75))
    ]
    _, events = folded(battery, life)
    assert not [e for e in events if e.rule in ("forecast_low", *LOW)]


def test_a_replaced_battery_ends_the_alert_with_the_reason() -> None:
    """The old battery's warning is over, and the reason is not that it was charged."""
    battery = agm()
    at_ms = START_MS + 31 * DAY_MS
    state, events = folded(battery, resting(battery, 31, 75, 1.0))
    assert kinds(events, "low_voltage") == ["began"]
    _, events = folded(battery, [Note(battery.id, at_ms, "replaced", None, "Ada")], state=state)
    assert {e.reason for e in events} == {"battery replaced"}
    assert "ended" in kinds(events, "low_voltage")


def test_silence_leaves_a_low_alert_standing() -> None:
    """Nothing heard is not "fine": the alert neither ends nor repeats."""
    battery = agm()
    state, _ = folded(battery, resting(battery, 27, 75, 1.0))
    _, events = folded(battery, silent(battery, 24 * 20, START_MS + 27 * DAY_MS), state=state)
    assert not kinds(events, "low_voltage")
    assert not kinds(events, "forecast_low")
    assert kinds(events, "silence") == ["began"]


def at_dawn(sun_a: float) -> View:
    """On tour at four in the morning: 60 % (51 to 69 %) of 100 Ah, 0.8 A taken in every hour, and a sun of so many amperes from six to eighteen."""
    view = view_of(begin(agm()), START_MS - START_MS % DAY_MS + 4 * HOUR_MS, ticked=False)
    view.pct, view.low_pct, view.high_pct = 60.0, 51.0, 69.0
    view.use = UseMemory("in use", view.now_ms - DAY_MS)
    trend = view.trend._replace(load_ah=(0.8,) * 8, sun_ah=(0.0, 0.0, *(sun_a,) * 4, 0.0, 0.0), pattern_h=48, recent_a=-0.8)
    view.trend = trend._replace(forecast=forecast_of(view, trend))
    return view


def test_no_warning_at_dawn_before_a_sun_that_usually_suffices() -> None:
    """The early end is an hour away in both; where the sun is expected to fill it up again nobody is sent to a socket, without it they are."""
    bright, dull = at_dawn(9.0), at_dawn(0.0)
    for view in (bright, dull):
        assert view.trend.forecast is not None
        assert view.trend.forecast.earliest_ms is not None
        assert view.trend.forecast.earliest_ms - view.now_ms < 2 * HOUR_MS
    assert FORECAST_LOW.judge(bright, False) is None
    judged = FORECAST_LOW.judge(dull, False)
    assert isinstance(judged, Said)
    assert "below the limit of 50 %" in judged.words().seen


def test_on_tour_the_forecast_is_judged_every_five_minutes() -> None:
    """An hour is half of the response time in use; in storage once an hour is enough."""
    assert FORECAST_LOW in soon((), PACES[False, True])
    assert FORECAST_LOW not in soon((), PACES[False, False])
