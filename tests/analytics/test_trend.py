"""Where it is heading: robust slopes, daily points, forecast intervals, standing load, exposure and freezing, against outside figures."""

from itertools import combinations
from statistics import median

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.battery import Battery, Sensor
from analytics.chemistries import CHEMISTRIES
from analytics.estimate import rest_pct, rest_v
from analytics.reading import Note, Reading
from analytics.trend.forecast import days_until
from analytics.trend.freezing import freezing_of, freezing_point_c
from analytics.trend.slope import theil_sen
from tests.analytics import lives
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, folded, held, resting, sentences, silent
from tests.outside import fact

XY = st.lists(st.floats(-50, 50), min_size=3, max_size=14)


def test_a_line_needs_three_points() -> None:
    """Two points are a difference, not a trend."""
    assert theil_sen([(0, 1.0), (1, 2.0)]) is None


@settings(max_examples=100, deadline=None)
@given(XY)
def test_the_slope_is_the_median_of_all_pairs(ys: list[float]) -> None:
    """Sen 1968, J. Am. Stat. Assoc. 63: the estimator is the median of the pairwise slopes; its interval holds it."""
    points = list(enumerate(ys))
    s = theil_sen([(float(x), y) for x, y in points])
    assert s is not None
    pairs = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2)]
    assert s.per_day == pytest.approx(median(pairs), abs=1e-9)
    assert s.low <= s.per_day <= s.high


def test_the_slope_survives_outliers_that_bend_a_least_squares_line() -> None:
    """The breakdown point of Theil-Sen is 29 % (Rousseeuw & Leroy 1987, from memory): three wild days in twelve do not move it."""
    ys = [100 - 0.8 * d for d in range(12)]
    for wild in (3, 7, 11):
        ys[wild] += 30
    s = theil_sen([(float(d), y) for d, y in enumerate(ys)])
    assert s is not None
    assert s.per_day == pytest.approx(-0.8, abs=0.15)


def test_the_interval_of_the_slope_keeps_its_promise() -> None:
    """Of 300 seeded noisy lines, the 90 % interval by ranks holds the true slope in about nine of ten."""
    from random import Random

    luck = Random(7)
    inside = 0
    for _ in range(300):
        s = theil_sen([(float(d), -0.5 * d + luck.gauss(0, 1)) for d in range(12)])
        assert s is not None
        inside += s.low <= -0.5 <= s.high
    assert 0.85 <= inside / 300 <= 0.98


@pytest.mark.parametrize(("row", "load_a"), [("DAYS-20MA", 0.020), ("DAYS-50MA", 0.050), ("DAYS-100MA", 0.100)])
def test_storage_days_match_the_check_values(row: str, load_a: float) -> None:
    """100 Ah from 95 to 50 % with 3 % self-discharge a month: 77.6, 34.6 and 18.0 days (check values, chapter 6)."""
    assert days_until(45, load_a, 100, 3) == pytest.approx(fact(row).value, abs=0.1)


@pytest.mark.parametrize(("row", "pct"), [("1265", 100), ("1225", 75), ("1190", 50), ("1155", 25), ("1120", 0)])
def test_freezing_points_match_the_army_manual(row: str, pct: float) -> None:
    """US Army TM 5-4210-230-14&P-1, Table 2."""
    expected = fact(f"FRZ-B-{row}")
    got = freezing_point_c(CHEMISTRIES["flooded"], pct)
    assert got is not None
    assert expected.low is not None
    assert expected.high is not None
    assert expected.low <= got <= expected.high


@pytest.mark.parametrize(("sg", "freezes"), [(1.265, "1265"), (1.225, "1225"), (1.190, "1190"), (1.155, "1155")])
def test_a_rest_voltage_leads_to_the_freezing_point_by_density(sg: float, freezes: str) -> None:
    """Volts a cell = SG + 0.845 (rule repeating DOE-HDBK-1084-95): our voltage, charge, freezing chain stays within 5 K of the density's row."""
    volts = 6 * (sg + fact("OCV-SG-CONST").value)
    battery = Battery("heron", "flooded", 100.0, rest_voltage_table=((0, 11.79), (25, 12.0), (50, 12.21), (75, 12.42), (100, 12.66)))
    pct = rest_pct(folded(battery)[0].model, volts, None)
    got = freezing_point_c(CHEMISTRIES["flooded"], pct)
    assert got == pytest.approx(fact(f"FRZ-B-{freezes}").value, abs=5)


def test_a_lithium_battery_has_no_acid_to_freeze() -> None:
    """No freezing point, no margin."""
    assert freezing_point_c(CHEMISTRIES["lifepo4"], 10) is None


def test_one_day_is_no_trend() -> None:
    """However fast it falls, two days of rest voltages come before any forecast."""
    state, events = folded(agm(), resting(agm(), 1.9, 62, 4))
    assert state.trend.slope is None
    assert not [e for e in events if e.rule == "forecast_low"]


def test_a_steady_fall_is_forecast_as_an_interval_around_the_truth() -> None:
    """80 % falling 1 % a day reaches 50 % on day 30: after ten days the interval holds that day."""
    battery = agm(rest_voltage_table=tuple((p, 6 * v) for p, v in CHEMISTRIES["agm"].rest_voltage.rows))
    state, _ = folded(battery, resting(battery, 10, 80, 1.0))
    forecast = state.trend.forecast
    assert forecast is not None
    assert forecast.basis == "rest voltage slope"
    assert forecast.earliest_ms is not None
    assert forecast.latest_ms is not None
    assert forecast.earliest_ms < START_MS + 30 * DAY_MS < forecast.latest_ms
    assert forecast.earliest_ms > START_MS + 20 * DAY_MS


def test_without_a_table_the_early_end_is_earlier() -> None:
    """An unknown table widens the interval: it warns earlier rather than not at all."""
    own = agm(rest_voltage_table=tuple((p, 6 * v) for p, v in CHEMISTRIES["agm"].rest_voltage.rows))
    known, unknown = (folded(b, resting(own, 10, 80, 1.0))[0].trend.forecast for b in (own, agm()))
    assert known is not None
    assert unknown is not None
    assert known.earliest_ms is not None
    assert unknown.earliest_ms is not None
    assert unknown.earliest_ms < known.earliest_ms - 3 * DAY_MS


def test_a_battery_that_rests_above_its_table_moves_the_table() -> None:
    """Nobody rests above full: 12.94 V on a table that ends at 12.80 V means that half is not 12.30 V either."""
    state, _ = folded(agm(), resting(agm(), 20, 100, 0.8, offset_v=0.14))
    assert state.trend.top_mv is not None
    assert state.trend.top_mv > 12_900
    assert state.trend.slope is not None
    # Read without moving the table it would still be 96 %.
    assert state.trend.slope[3] < 90


def test_a_sun_by_day_is_no_rise_and_its_nights_are_no_fall() -> None:
    """A panel that lifts the voltage every noon and lets it sink every night is not falling: points of the same hour are compared."""
    battery = agm()

    def saw() -> list[Reading]:
        out = []
        for i in range(10 * 48):
            at_ms = START_MS + (i + 1) * 30 * 60_000
            hour = i / 2 % 24
            sun = max(0.0, 1 - abs(hour - 12) / 4)
            out.append(Reading(battery.id, at_ms, round(12.62 + 0.45 * sun, 3), None, 12.0))
        return out

    state, events = folded(battery, saw())
    assert state.trend.forecast is not None
    assert state.trend.forecast.earliest_ms is None
    assert not [e for e in events if e.rule == "forecast_low"]


def test_a_battery_just_off_charge_is_not_falling() -> None:
    """Surface charge that fades after a charge is no trend: the old line is dropped and a day is waited."""
    battery = agm()
    fading = [
        Reading(battery.id, START_MS + DAY_MS + i * 30 * 60_000, round(12.82 + 0.35 * 0.9**i, 3), None, 15.0) for i in range(1, 5 * 48)
    ]
    state, events = folded(battery, resting(battery, 0.5, 70, 1), held(battery, 12, 14.4, START_MS + 12 * HOUR_MS), fading)
    assert all(day >= (START_MS + 2 * DAY_MS) // DAY_MS for day, _ in state.trend.points)
    assert not [e for e in events if e.rule == "forecast_low"]


def test_a_shunt_makes_the_forecast_from_the_balance_of_the_day() -> None:
    """5 A day and night from 90 % of 100 Ah: 40 Ah are left to the limit, which is eight hours."""
    battery = agm(initial_state_of_charge_pct=90.0)
    state, _ = folded(battery, resting(battery, 3 / 24, 90, 120, current_a=-5.0, every_ms=60_000))
    forecast = state.trend.forecast
    assert forecast is not None
    assert forecast.basis == "charge balance"
    assert forecast.earliest_ms is not None
    assert START_MS + 4 * HOUR_MS < forecast.earliest_ms < START_MS + 9 * HOUR_MS


def test_the_sun_of_the_pattern_keeps_the_forecast_away() -> None:
    """2 A taken day and night and 14 A given around noon: the balance holds, so no late end and no warning."""
    battery = agm(initial_state_of_charge_pct=80.0)

    def sunny() -> list[Reading]:
        out = []
        for i in range(4 * 24 * 12):
            hour = i / 12 % 24
            current_a = 14.0 if 10 <= hour < 16 else -2.0
            out.append(Reading(battery.id, START_MS + (i + 1) * 300_000, 13.3 if current_a > 0 else 12.6, current_a, 20.0))
        return out

    state, events = folded(battery, sunny())
    forecast = state.trend.forecast
    assert forecast is not None
    assert forecast.latest_ms is None
    assert not [e for e in events if e.rule == "forecast_low"]


def test_the_standing_load_is_measured_at_rest_with_its_error() -> None:
    """0.4 A through a shunt whose offset is 50 mA: the interval holds it, is as wide as that or what voltages took off it, and it says since when."""
    state, _ = folded(agm(), resting(agm(), 2, 90, 9.6, current_a=-0.4))
    load = state.trend.load
    assert load is not None
    assert load.basis == "current"
    assert load.low_a < 0.4 < load.high_a
    stated_a = 2 * (1.645 * 0.05 + 0.01645 * 0.4)
    assert 0.7 * stated_a < load.high_a - load.low_a < stated_a + 0.01
    assert load.since_ms < START_MS + 2 * HOUR_MS


def test_a_voltmeter_alone_names_the_load_as_a_wide_interval() -> None:
    """1.27 % a day of 100 Ah less 2 % self-discharge a month is 50 mA."""
    state, _ = folded(agm(), resting(agm(), 14, 95, 1.2 + 2 / 30))
    load = state.trend.load
    assert load is not None
    assert load.basis == "rest voltage slope"
    assert load.low_a < 0.050 < load.high_a
    assert load.high_a - load.low_a > 0.015


def test_an_offset_larger_than_the_load_is_no_load_and_the_owner_is_told() -> None:
    """A shunt that shows 20 mA in while the voltage falls 0.8 % a day: the slope speaks and the sentence says why, until the offset is learned.

    0.8 % a day of 100 Ah less 2 % self-discharge a month is 31 mA.
    """
    battery = agm(sensor=Sensor(1.0, 0.05, 0.01))
    life = [r._replace(current_a=0.02) for r in resting(battery, 12, 90, 0.8)]
    state, _ = folded(battery, (r for r in life if r.at_ms < life[0].at_ms + 5 * DAY_MS))
    assert state.trend.load is not None
    assert state.trend.load.basis == "rest voltage slope"
    assert any("The current sensor's own error (up to 82 mA) hides it" in s for s in sentences(state))
    state, _ = folded(battery, life)
    assert state.trend.load is not None
    assert state.trend.load.low_a < 0.031 < state.trend.load.high_a
    assert state.trend.load.high_a < 0.07


def test_time_and_depth_spent_low_add_up_until_a_full_charge() -> None:
    """Ten days at 60 % are 240 hours and twenty points below the sulfation limit; a night on a charger clears them."""
    battery = agm(initial_state_of_charge_pct=60.0)
    state, _ = folded(battery, resting(battery, 10, 60))
    exposure = state.trend.exposure
    assert exposure.low_h == pytest.approx(240, abs=12)
    assert exposure.depth_pct_h / exposure.low_h == pytest.approx(20, abs=6)
    state, _ = folded(battery, held(battery, 14, 14.4, START_MS + 10 * DAY_MS), state=state)
    assert state.trend.exposure.low_h == 0


def test_the_freezing_margin_uses_the_coldest_night_that_the_owner_expects() -> None:
    """Measured +2 °C, expected -14 °C: the margin is that of the night, and only for some days."""
    battery = agm(initial_state_of_charge_pct=30.0)
    state, _ = folded(battery, resting(battery, 4, 30, temperature_c=2.0))
    state, _ = folded(battery, [Note(battery.id, START_MS + 4 * DAY_MS, "coldest", -14.0, "Ada")], state=state)
    from analytics.core import view_of

    soon = freezing_of(view_of(state, START_MS + 4 * DAY_MS + HOUR_MS, ticked=True))
    assert soon is not None
    assert soon.expected
    assert soon.temperature_c == -14.0
    late = freezing_of(view_of(state, START_MS + 12 * DAY_MS, ticked=True))
    assert late is None


def test_without_a_temperature_frost_cannot_be_judged_and_the_owner_is_told() -> None:
    """Missing is missing: no alert, no all-clear."""
    state, events = folded(agm(), resting(agm(), 3, 30, temperature_c=None))
    sentence = "Whether it may freeze cannot be judged: no temperature is measured and no coldest night is noted."
    assert sentence in sentences(state)
    assert not [e for e in events if e.rule == "freezing"]


def test_a_replaced_battery_starts_a_new_trend() -> None:
    """What was learned of the old one is not averaged into the new one."""
    battery = agm()
    state, _ = folded(battery, resting(battery, 10, 80, 1), [Note(battery.id, START_MS + 10 * DAY_MS + 1, "replaced", None, "Ada")])
    assert state.trend.points == ()
    assert state.trend.slope is None
    assert state.trend.top_mv is None


def test_a_forecast_goes_on_through_a_silence() -> None:
    """Nothing new is heard, but time passes: the early end comes nearer and the warning is given on time."""
    battery = agm()
    state, events = folded(battery, resting(battery, 12, 80, 1.0), silent(battery, 24 * 10, START_MS + 12 * DAY_MS))
    warned = lives.began(events, "forecast_low")
    assert warned.at_ms > START_MS + 12 * DAY_MS
    assert warned.at_ms < START_MS + 27 * DAY_MS
    assert state.trend.slope is not None


def test_the_table_of_rest_voltages_is_the_one_that_the_lives_use() -> None:
    """The hand-made readings and the product read the same table the same way."""
    battery = agm()
    model = folded(battery)[0].model
    for pct in (0.0, 20.0, 50.0, 77.0, 100.0):
        assert lives.rest_v(battery, pct) == pytest.approx(rest_v(model, pct), abs=1e-6)
