"""The parts of the forecast one by one: worked crossings, what is known too little, and what an hour leaves behind."""

from math import sqrt

import pytest
from scipy import stats

from analytics.assessment import Forecast, Load
from analytics.reading import Note
from analytics.rules.forecast_low import _fall
from analytics.trend import _eod_ms, noted
from analytics.trend.forecast import _at, _crossing, _is_small, days_until, forecast_of, offset_of, standing_load_of
from analytics.trend.hourly import hour_over
from analytics.trend.level import charge_of, is_charging
from analytics.trend.memory import BINS, DAY_MS, HOUR_MS, Exposure, Hour, TrendMemory
from analytics.trend.slope import theil_sen
from tests.analytics.lives import AGM, DAY, LITHIUM, NOON_MS, fallen, rest_v, view
from tests.analytics.test_limits_rules import shifted


def test_a_room_is_used_up_when_its_rate_says() -> None:
    """Ten points at two a day are five days; what is below already began then, not later than now; beyond a year nothing is said."""
    assert _at(NOON_MS, 10.0, 2.0, NOON_MS) == NOON_MS + 5 * DAY_MS
    assert _at(NOON_MS - DAY_MS, 0.0, 2.0, NOON_MS) == NOON_MS - DAY_MS
    assert _at(NOON_MS + DAY_MS, -1.0, 2.0, NOON_MS) == NOON_MS
    assert _at(NOON_MS, 36.4, 0.1, NOON_MS) is not None
    assert _at(NOON_MS, 36.6, 0.1, NOON_MS) is None
    assert _at(NOON_MS, 1.0, 0.01, NOON_MS) is None
    assert _at(NOON_MS, 1.0, 0.011, NOON_MS) == NOON_MS + int(1.0 / 0.011 * DAY_MS)
    assert days_until(40.0, 0.1, 100.0, 3.0) == pytest.approx(40 / (2.4 + 0.1))


def test_a_pattern_uses_up_the_charge_in_its_hours() -> None:
    """A steady ampere and 20 Ah: 20 hours, less or more by a quarter of the load; an hour's lump early; the sun counts by day."""
    steady, none = (1.0,) * BINS, (0.0,) * BINS
    assert _crossing(0, 20.0, steady, none, -1.0, 0.0) == pytest.approx(20 / 0.75, abs=0.01)
    early = _crossing(0, 20.0, steady, none, 1.0, 0.0)
    hours = next(h for h in range(1, 30) if h + sqrt((0.25 * h) ** 2 + 1) >= 20)
    assert early == pytest.approx(hours - 1 + 0.5, abs=0.5)
    assert _crossing(0, 0.0, steady, none, 1.0, 0.0) == 0.0
    assert _crossing(0, 125.0, steady, none, -1.0, 0.0) == pytest.approx(125 / 0.75, abs=0.01)
    assert _crossing(0, 127.0, steady, none, -1.0, 0.0) is None
    assert _crossing(0, 0.9, steady, none, -1.0, 3.0) == pytest.approx(0.9 / 2.25)
    noon = (0.0,) * 4 + (4.0,) + (0.0,) * 3
    dim = _crossing(12, 6.0, steady, noon, 1.0, 0.0)
    night = _crossing(15, 6.0, steady, noon, 1.0, 0.0)
    assert dim is not None
    assert night is not None
    assert dim > night + 3
    assert night == pytest.approx(_crossing(18, 6.0, steady, none, 1.0, 0.0))
    bright = _crossing(12, 6.0, steady, noon, -1.0, 0.0)
    assert bright is None or bright > dim


def test_a_line_through_rest_voltages_crosses_the_limit() -> None:
    """A fall of a point a day from 70 % to the limit of 50 %: 16 days at the fastest of the interval, less what the table may be off."""
    trend = fallen()
    forecast = forecast_of(view(trend=trend), trend)
    last_ms = (DAY - 1) * DAY_MS + DAY_MS // 2
    assert forecast.basis == "rest voltage slope"
    assert forecast.limit_pct == 50.0
    assert forecast.earliest_ms is not None
    assert forecast.latest_ms is not None
    assert last_ms < forecast.earliest_ms < last_ms + 20 / 1.2 * DAY_MS
    assert last_ms + 20 / 0.8 * DAY_MS < forecast.latest_ms < last_ms + 50 / 0.8 * DAY_MS
    rise = trend._replace(slope=(-0.019, -0.1, -0.01, 70.0))
    assert forecast_of(view(trend=rise), rise) == Forecast(50.0, None, None, "rest voltage slope")
    unsure = trend._replace(slope=(-1.0, -2.0, 0.1, 70.0))
    assert forecast_of(view(trend=unsure), unsure) == Forecast(50.0, None, None, "rest voltage slope")
    quicker = trend._replace(quick=-3.0)
    sooner = forecast_of(view(trend=quicker), quicker).earliest_ms
    assert sooner is not None
    assert (sooner - last_ms) * 3.0 == pytest.approx((forecast.earliest_ms - last_ms) * 1.2, rel=1e-6)


def test_what_is_not_known_is_said() -> None:
    """Without a line it says why; a line whose last point is three weeks old is none any more."""
    bare = TrendMemory()
    assert "fewer than three" in forecast_of(view(), bare).basis
    assert "charged within the last day" in forecast_of(view(), bare._replace(charged_ms=NOON_MS - DAY_MS + 1)).basis
    assert "fewer than three" in forecast_of(view(), bare._replace(charged_ms=NOON_MS - DAY_MS)).basis
    trend = fallen()
    old, older = (forecast_of(view(now_ms=NOON_MS + days * DAY_MS), trend) for days in (20, 21))
    assert old.earliest_ms is not None
    assert "fewer than three" in older.basis


def test_what_is_forgotten_by_name_leaves_the_rest_voltages() -> None:
    """A person who has one learned value forgotten keeps the months of rest voltages behind the forecast; they go with all, and with the battery."""
    trend = fallen()
    for kind, value in (("forget", "usable_capacity_ah"), ("check", "all"), ("charged", None), ("mode", "stored")):
        assert noted(view(trend=trend), trend, Note("heron", NOON_MS, kind, value)) == trend
    forgotten = noted(view(trend=trend), trend, Note("heron", NOON_MS, "forget", "all"))
    assert (forgotten.points, forgotten.slope, forgotten.day) == ((), None, trend.day)
    assert noted(view(trend=trend), trend, Note("heron", NOON_MS, "replaced")) == TrendMemory(rest_after_ms=NOON_MS)


def test_a_discharge_has_ended_until_the_voltage_has_clearly_risen() -> None:
    """Below 10.5 V (six cells) since then, and until 0.18 V above it; what a mover draws beyond a fifth of the capacity is taken off first."""
    seen = view(AGM)
    assert seen.span is not None
    for volts, amps, since_ms, ended_ms in (
        (10.499, -5.0, None, NOON_MS), (10.501, -5.0, None, None), (10.499, -5.0, 5, 5), (10.679, -5.0, 5, 5), (10.681, -5.0, 5, None),
        (10.499, 30.0, None, NOON_MS), (10.499 - 40 * seen.model.ohms, -60.0, None, NOON_MS), (10.501 - 40 * seen.model.ohms, -60.0, None, None),
        (10.499, None, None, NOON_MS),
    ):  # fmt: skip
        assert _eod_ms(seen, seen.span._replace(voltage_v=volts, current_a=amps), since_ms) == ended_ms, (volts, amps, since_ms)


def test_a_small_load_is_left_to_rest_voltages_that_are_not_old() -> None:
    """Below a hundredth of the capacity per hour, while the last rest voltage is of three days ago or newer."""
    for amps, days, small in ((-0.99, 3, True), (-1.0, 3, False), (None, 3, True), (-0.99, 4, False), (0.5, 1, True)):
        trend = TrendMemory(points=((DAY - 20, 12_700), (DAY - days, 12_600)), recent_a=amps)
        assert _is_small(view(trend=trend), trend) is small, (amps, days)


def test_a_shunts_offset_is_known_to_ten_milliamperes_at_best() -> None:
    """What was learned with nine parts in ten of its doubt, ten milliamperes at least; before that none, and what the maker states."""
    assert offset_of(shifted(0.126, 0.0)[0]) == (pytest.approx(0.126), 0.01)
    assert offset_of(shifted(-0.126, 4e-4)[0]) == (pytest.approx(-0.126), pytest.approx(1.645 * 0.02))
    assert offset_of(view(AGM)) == (0.0, pytest.approx(1.645 * AGM.sensor.current_offset_a))


def test_a_lithium_curve_that_turns_steep_is_believed_at_once() -> None:
    """A fortnight on the plateau hides the fall at its end: then the last rest voltage and the pace of the last days count, not the line, and the
    words say so."""
    flat = fallen(LITHIUM, 1.0, 8, LITHIUM.limit_pct + 9)
    now_mv = round(1000 * rest_v(LITHIUM, LITHIUM.limit_pct + 4))
    fallen_mv = flat.points[-5][1] - now_mv
    assert fallen_mv >= 40, "10 mV a cell are steep"
    steep = flat._replace(points=(*flat.points[:-1], (DAY - 1, now_mv)), quick=-4.0)
    last_ms = (DAY - 1) * DAY_MS + DAY_MS // 2
    assert forecast_of(view(LITHIUM, steep), steep).earliest_ms == pytest.approx(last_ms + DAY_MS, abs=DAY_MS / 20)
    assert _fall(view(LITHIUM, steep)) == (5, 4.0)
    slow = steep._replace(quick=-0.9)
    assert _fall(view(LITHIUM, slow)) == (8, 1.0)
    assert forecast_of(view(LITHIUM, slow), slow).earliest_ms == pytest.approx(last_ms + 4 / 1.5 * DAY_MS, abs=DAY_MS / 20)


def test_lithium_is_told_to_fall_only_near_its_limit() -> None:
    """By voltage alone its flat curve says something within ten points of the limit and after five days; a shunt bounds the rate."""
    low, high, short = (
        fallen(LITHIUM, 1.0, days, level)
        for days, level in ((8, LITHIUM.limit_pct + 9), (8, LITHIUM.limit_pct + 11), (5, LITHIUM.limit_pct + 9))
    )
    told = forecast_of(view(LITHIUM, low), low)
    assert told.earliest_ms is not None
    last_ms = (DAY - 1) * DAY_MS + DAY_MS // 2
    assert told.earliest_ms == pytest.approx(last_ms + 9 / 1.5 * DAY_MS, abs=1)
    enough = fallen(LITHIUM, 1.0, 6, LITHIUM.limit_pct + 9)
    assert forecast_of(view(LITHIUM, enough), enough).earliest_ms == told.earliest_ms
    for trend in (high, short):
        assert forecast_of(view(LITHIUM, trend), trend).earliest_ms is None
    shunt = low._replace(pattern_h=24, load_ah=(0.02,) * BINS, sun_ah=(0.0,) * BINS)
    pct = LITHIUM.limit_pct + 9.0
    bounded = forecast_of(view(LITHIUM, shunt, (pct, pct, pct)), shunt).earliest_ms
    unheard = shunt._replace(pattern_h=23)
    assert forecast_of(view(LITHIUM, unheard, (pct, pct, pct)), unheard).earliest_ms == told.earliest_ms
    a_day = 0.1 + 24 * (0.02 + 1.645 * LITHIUM.sensor.current_offset_a)
    assert bounded == pytest.approx(NOON_MS + 9 / min(1.5, a_day) * DAY_MS, abs=DAY_MS / 100)


def test_a_fall_means_a_load() -> None:
    """A point a day of 100 Ah is 42 mA, 39 mA of it a load and the rest its own; a fifth more or less; a rise means none."""
    trend = fallen()
    load = standing_load_of(view(trend=trend), trend, Hour())
    own = AGM.kind.self_discharge_pct_per_month
    assert load is not None
    assert load.basis == "rest voltage slope"
    assert load.current_a == pytest.approx((1 - own.value / 30) / 24, abs=1e-4)
    assert load.low_a == pytest.approx((0.8 - own.high / 30) / 24 * 0.8, abs=1e-4)
    assert load.high_a == pytest.approx((1.2 - own.low / 30) / 24 * 1.2, abs=1e-4)
    assert load.since_ms == trend.points[0][0] * DAY_MS
    later = trend._replace(load=load._replace(since_ms=7))
    assert standing_load_of(view(trend=later), later, Hour()) == load._replace(since_ms=7)
    assert standing_load_of(view(), trend._replace(slope=(-0.01, -0.02, -0.005, 70.0)), Hour()) is None


def test_a_steady_current_is_a_standing_load() -> None:
    """An hour at half an ampere is one from that hour on; the next moves it by an eighth; a load that comes and goes is none."""
    at_h = NOON_MS // HOUR_MS
    hour = Hour(at_h, None, HOUR_MS, 0.0, 1800.0, -0.55, -0.45)
    first = standing_load_of(view(), TrendMemory(), hour)
    assert first is not None
    assert (first.current_a, first.since_ms, first.basis) == (0.5, at_h * HOUR_MS, "current")
    off = 1.645 * AGM.sensor.current_offset_a + 0.01645 * AGM.sensor.current_gain_pct * 0.5
    assert (first.low_a, first.high_a) == pytest.approx((0.5 - off, 0.5 + off), abs=1e-4)
    known = TrendMemory(load=first)
    second = standing_load_of(view(), known, hour._replace(out_as=1980.0, at_h=at_h + 1))
    assert second is not None
    assert (second.current_a, second.since_ms) == (pytest.approx(0.5 + 0.05 / 8, abs=1e-4), first.since_ms)
    anew = standing_load_of(view(), known, hour._replace(out_as=3600.0, at_h=at_h + 1))
    assert anew is not None
    assert (anew.current_a, anew.since_ms) == (1.0, (at_h + 1) * HOUR_MS)
    assert standing_load_of(view(), known, hour._replace(low_a=-3.0)) == first
    assert standing_load_of(view(), TrendMemory(), hour._replace(low_a=-3.0)) is None
    assert standing_load_of(view(), TrendMemory(), hour._replace(charged=True)) is None
    assert standing_load_of(view(), known, Hour(at_h)) == first
    half = standing_load_of(view(), TrendMemory(), hour._replace(heard_ms=HOUR_MS // 2))
    assert half is not None
    assert half.current_a == 1.0


def test_hours_make_the_days_pattern() -> None:
    """The first hour stands for all day; then each moves its three hours by half, after a day by 13 %; a short hour counts for a whole one."""
    at_h = NOON_MS // HOUR_MS
    memory = hour_over(view(), TrendMemory(hour=Hour(at_h, None, HOUR_MS, 0.0, 3600.0), day=DAY), at_h + 1)
    assert memory.load_ah == (1.0,) * BINS
    assert (memory.pattern_h, memory.recent_a) == (1, -1.0)
    memory = hour_over(view(), memory._replace(hour=Hour(at_h + 1, None, HOUR_MS // 2, 900.0, 3600.0)), at_h + 2)
    assert memory.load_ah == (1.0,) * 4 + (1.5,) + (1.0,) * 3
    assert memory.sun_ah == (0.0,) * 4 + (0.25,) + (0.0,) * 3
    assert memory.recent_a == -1.5
    memory = hour_over(view(), memory._replace(pattern_h=24, hour=Hour(at_h + 2, None, HOUR_MS, 0.0, 9000.0)), at_h + 3)
    assert memory.load_ah[4] == pytest.approx(1.5 + 0.13)
    brief = hour_over(view(), TrendMemory(hour=Hour(at_h, None, HOUR_MS // 10, 0.0, 360.0), day=DAY), at_h + 1)
    assert brief.load_ah == (0.4,) * BINS
    assert (memory.hour, brief.hour) == (Hour(at_h + 3), Hour(at_h + 1))


def test_hours_on_a_charger_end_the_line() -> None:
    """Two hours leave it, three end it; rest voltages count again four hours after a short charge, a day after a real one, lithium three."""
    at_h = NOON_MS // HOUR_MS
    for battery, settle_h in ((AGM, 24), (LITHIUM, 72)):
        memory = fallen(battery)
        for n in range(3):
            assert len(memory.points) == 8
            memory = hour_over(view(battery), memory._replace(hour=Hour(at_h + n, None, HOUR_MS, charged=True)), at_h + n + 1)
            assert memory.rest_after_ms == (at_h + n + 5) * HOUR_MS
            assert memory.charged_ms == (at_h + n + 1) * HOUR_MS
        assert memory.points == ()
        assert memory.slope is None
        memory = hour_over(view(battery), memory._replace(hour=Hour(at_h + 3, None, HOUR_MS)), at_h + 4)
        assert memory.rest_after_ms == (at_h + 4 + settle_h) * HOUR_MS
        assert memory.charged_h == 0.0


def test_a_days_lowest_quiet_voltage_becomes_its_point() -> None:
    """The lowest three-hour block counts; two weeks are kept; a rise by 150 mV (fifteen points) without a charge is another battery."""
    at_h = 24 * DAY
    memory = TrendMemory(hour=Hour(at_h, 12.6, HOUR_MS), day=DAY)
    memory = hour_over(view(), memory, at_h + 3)
    assert memory.day_v == 12.6
    memory = hour_over(view(), memory._replace(hour=Hour(at_h + 3, 12.7, HOUR_MS)), at_h + 6)
    assert memory.day_v == 12.6
    memory = hour_over(view(), memory._replace(hour=Hour(at_h + 6, 12.5, HOUR_MS)), at_h + 7)
    assert (memory.day_v, memory.hour.top_v) == (12.6, 12.5)
    memory = hour_over(view(), memory._replace(hour=Hour(at_h + 23, 12.5, HOUR_MS)), at_h + 24)
    assert memory.points == ((DAY, 12_500),)
    assert (memory.day, memory.day_v) == (DAY + 1, None)
    full = fallen(days=14)._replace(day_v=12.4)
    after = hour_over(view(), full._replace(hour=Hour(at_h + 23, None, HOUR_MS)), at_h + 24)
    assert len(after.points) == 14
    assert after.points[-1] == (DAY, 12_400)
    risen = full._replace(day_v=full.points[-1][1] / 1000 + 0.16, hour=Hour(at_h + 23, None, HOUR_MS))
    other = hour_over(view(), risen, at_h + 24)
    assert len(other.points) == 1
    assert other.changed_ms == (DAY + 1) * DAY_MS
    same = hour_over(view(), risen._replace(day_v=full.points[-1][1] / 1000 + 0.14), at_h + 24)
    assert same.changed_ms is None
    assert same.top_mv == min(v for _, v in same.points[-3:])


def test_time_spent_low_is_added_up() -> None:
    """An hour ten points below the sulfation limit is one hour and ten point-hours; a full charge wipes it, and lithium knows none."""
    limit = AGM.kind.sulfation_pct
    assert limit is not None
    low = (limit.value - 10, limit.value - 15, limit.value - 5)
    at_h = NOON_MS // HOUR_MS
    memory = hour_over(view(pct=low), TrendMemory(hour=Hour(at_h, None, HOUR_MS), day=DAY), at_h + 1)
    assert memory.exposure == Exposure(1.0, 10.0, low[0], at_h * HOUR_MS)
    again = hour_over(view(pct=low), memory._replace(hour=Hour(at_h + 1, None, HOUR_MS)), at_h + 2)
    assert again.exposure == Exposure(2.0, 20.0, low[0], at_h * HOUR_MS)
    charged = again._replace(hour=Hour(at_h + 2, None, HOUR_MS, charged=True))
    assert hour_over(view(pct=(98.0, 95.0, 100.0)), charged, at_h + 3).exposure.low_h == 0.0
    assert hour_over(view(pct=(96.0, 93.0, 99.0)), charged, at_h + 3).exposure.low_h == 2.0
    assert hour_over(view(pct=(96.0, 93.0, 99.0)), charged._replace(charged_h=9.0), at_h + 3).exposure.low_h == 0.0
    assert hour_over(view(LITHIUM, pct=low), TrendMemory(hour=Hour(at_h, None, HOUR_MS), day=DAY), at_h + 1).exposure.low_h == 0.0


def test_the_estimate_speaks_where_it_says_something() -> None:
    """Narrower than 45 points it is told; wider, the last rest voltage is, for five days and not after a charge; one above full lowers both."""
    trend = fallen(level=60.0)
    assert charge_of(view(trend=trend, pct=(55.0, 40.0, 85.0))) == (55.0, 40.0, 85.0)
    rested = charge_of(view(trend=trend, pct=(55.0, 40.0, 85.1)))
    assert rested is not None
    assert rested[0] == pytest.approx(60.0, abs=0.2)
    assert charge_of(view(trend=trend, now_ms=(DAY + 5) * DAY_MS - 1)) is not None
    assert charge_of(view(trend=trend, now_ms=(DAY + 5) * DAY_MS)) is None
    assert charge_of(view(trend=trend._replace(charged_ms=DAY * DAY_MS + 1))) is None
    assert charge_of(view()) is None
    high = trend._replace(top_mv=round(1000 * rest_v(AGM, 100)) + 50)
    lower = charge_of(view(trend=high, pct=(70.0, 60.0, 80.0)))
    assert lower is not None
    assert lower[0] < 60.0
    assert not is_charging(view(trend=trend._replace(charged_ms=NOON_MS - 2 * HOUR_MS)))
    assert is_charging(view(trend=trend._replace(charged_ms=NOON_MS - 2 * HOUR_MS + 1)))
    assert is_charging(view(trend=TrendMemory(hour=Hour(charged=True))))


def test_the_robust_line_is_that_of_scipy() -> None:
    """Slope, and its 90 % interval by ranks to one rank, of Theil and Sen as a general-purpose library has them."""
    points = [(float(x), 3.0 - 0.7 * x + 0.3 * ((7 * x) % 5 - 2)) for x in range(12)]
    mine = theil_sen(points)
    theirs = stats.theilslopes([y for _, y in points], [x for x, _ in points], 0.9)
    assert mine is not None
    assert mine.per_day == pytest.approx(theirs.slope)
    slopes = sorted((q[1] - p[1]) / (q[0] - p[0]) for i, p in enumerate(points) for q in points[i + 1 :])
    for ours, other in ((mine.low, theirs.low_slope), (mine.high, theirs.high_slope)):
        near = min(range(len(slopes)), key=lambda k: abs(slopes[k] - other))
        assert slopes[max(0, near - 2)] <= ours <= slopes[min(len(slopes) - 1, near + 2)]
    assert theil_sen(points[:2]) is None
    assert theil_sen([(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)]) == (1.0, 1.0, 1.0, 3.0)


def test_a_current_that_has_gone_gives_way_to_the_rest_voltages() -> None:
    """Once the shunt shows no load in a steady hour, what falls is told by the line."""
    load = Load(0.5, 0.4, 0.6, 5, "current")
    trend = fallen()._replace(load=load)
    at_h = NOON_MS // HOUR_MS
    quiet = Hour(at_h, None, HOUR_MS, 0.0, 36.0, -0.01, -0.01)
    found = standing_load_of(view(trend=trend), trend, quiet)
    assert found is not None
    assert found.basis == "rest voltage slope"
