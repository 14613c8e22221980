"""What corrects the count: a held charge, a rest, lithium's curve, a person; and what is told of a belief. Each remark's figure from both sides."""

from math import exp, log, sqrt

import pytest

from analytics import estimate
from analytics.battery import Battery, Sensor
from analytics.estimate.advancing import believable_c
from analytics.estimate.belief import CAPACITY, DIAGONAL, OFFSET, SOC, TABLE, TAIL, Belief, Filter, Marks, Slot, prior
from analytics.estimate.charged import absorbing, by_charger, by_charger_alone, by_tail
from analytics.estimate.counting import gassing_a
from analytics.estimate.lithium import by_curve, by_curve_alone, room, secant, unsure_v, up_to
from analytics.estimate.resting import rest_anchor, rest_marked, settled
from analytics.estimate.telling import NINETY, TOLD, forgotten, interval, learned
from analytics.estimate.voltage import Seen, by_voltage
from analytics.reading import Reading
from tests.analytics.test_filter import AGM, HOUR, LITHIUM, SEEING

FULL_V = AGM.full_v


def known(soc: float = 0.8, sd: float = 0.1, model: estimate.Model = AGM) -> Filter:
    return prior(model, soc, sd)


def seen(volts: float, amps: float, hours: float = 0.1, celsius: float | None = 25.0) -> Seen:
    return Seen(volts, amps, amps, celsius, hours)


def slot(hours: float, begin_h: float = 0.0) -> Slot:
    return Slot(round(begin_h * HOUR), round((begin_h + hours) * HOUR), 14.4, 1.0, None, 0.0, 0.0, 1, 14.4, 1.0, 1.0, 25.0)


def test_absorption_is_known_by_its_voltage_and_current() -> None:
    """At the least voltage of the chemistry's window, less what warmth takes off, up to twenty kelvin; with current in."""
    assert absorbing(AGM, seen(FULL_V, 0.1))
    assert not absorbing(AGM, seen(FULL_V - 0.01, 0.1))
    assert not absorbing(AGM, seen(FULL_V, 0.0))
    per_k = AGM.compensation_v
    assert absorbing(AGM, seen(FULL_V + 10 * per_k + 0.001, 0.1, celsius=35.0))
    assert not absorbing(AGM, seen(FULL_V + 10 * per_k - 0.001, 0.1, celsius=35.0))
    assert not absorbing(AGM, seen(FULL_V + 20 * per_k - 0.001, 0.1, celsius=60.0))
    assert not absorbing(AGM, seen(FULL_V - 0.01, 0.1, celsius=5.0))


def test_the_tail_tells_what_is_missing() -> None:
    """At 20 °C a battery at absorption misses 2.6 hours of its current: a sure one goes there, warmth shortens it, a longer hold is surer."""
    amps, gas = 4.0, gassing_a(AGM, FULL_V, 20.0)
    missing = exp(0.95) * (amps - gas) / 95
    after = by_tail(AGM, known(0.5, 0.3), seen(FULL_V, amps, 2.0, 20.0), 10.0)
    assert after.mean[SOC] == pytest.approx(1 - missing, abs=0.02)
    warm = by_tail(AGM, known(0.5, 0.3), seen(FULL_V, amps, 2.0, 40.0), 10.0)
    assert 1 - warm.mean[SOC] == pytest.approx(exp(0.95 - 0.9) * (amps - gassing_a(AGM, FULL_V, 40.0)) / 95, abs=0.02)
    early, late = (by_tail(AGM, known(), seen(FULL_V, amps, 2.0, 20.0), since_h).cov[0] for since_h in (0.25, 10.0))
    assert early > late
    short, long = (by_tail(AGM, known(), seen(FULL_V, amps, hours, 20.0), 10.0).cov[0] for hours in (0.1, 1.5))
    assert short > long
    sure = known(0.97, 0.005)
    assert by_tail(AGM, sure, seen(FULL_V, 0.5, 2.0, 20.0), 10.0) == sure
    low = by_tail(AGM, known(0.5, 0.3), seen(FULL_V - 0.5, amps, 2.0, 20.0), 10.0)
    assert low.mean[SOC] < after.mean[SOC]
    lithium = by_tail(LITHIUM, known(0.5, 0.3, LITHIUM), seen(14.4, 5.0, 2.0, 20.0), 10.0)
    assert lithium.mean[SOC] == pytest.approx(1 - 0.3 * 5 / 90, abs=0.01)


def test_a_full_anchor_comes_once_the_tail_has_lasted() -> None:
    """Held for an hour with the tail's current it is told, once a day; a voltage that moves by 50 mV begins anew; float alone tells nothing."""
    f, marks, anchor = known(0.97, 0.05), Marks(), None
    told = []
    for n in range(20):
        f, marks, anchor = by_charger(AGM, f, marks, slot(0.1, n / 10), seen(14.4, 0.3))
        if anchor is not None:
            told.append(n)
            assert anchor.kind == "full"
    assert told == [9]
    assert marks.full_ms == 2 * HOUR
    assert marks.held_since_ms == 0
    _, moved, _ = by_charger(AGM, f, marks, slot(0.1, 2.0), seen(14.45, 0.3))
    assert (moved.held_since_ms, moved.held_v) == (2 * HOUR, 14.45)
    _, stays, _ = by_charger(AGM, f, marks, slot(0.1, 2.0), seen(14.43, 0.3))
    assert stays.held_since_ms == 0
    assert stays.held_v == pytest.approx(14.409)
    _, gone, _ = by_charger(AGM, f, marks, slot(0.1, 2.0), seen(13.0, 0.3))
    assert (gone.held_since_ms, gone.held_v) == (None, None)
    busy, strong = known(0.9, 0.05), Marks()
    for n in range(20):
        busy, strong, anchor = by_charger(AGM, busy, strong, slot(0.1, n / 10), seen(14.4, AGM.tail_a + 0.1))
        assert anchor is None


def test_how_fast_a_current_falls_is_the_time_constant() -> None:
    """A current that falls by half an hour's share of two hours teaches two hours of it, and moves the belief about the tail."""
    f, marks = known(0.9, 0.1), Marks()
    for n in range(40):
        amps = 8.0 * exp(-n / 20) + gassing_a(AGM, 14.4, 25.0)
        f, marks, _ = by_charger(AGM, f, marks, slot(0.1, n / 10), seen(14.4, amps + f.mean[OFFSET]))
    assert marks.decay_h == pytest.approx(2.0, rel=0.1)
    assert f.mean[TAIL] == pytest.approx(log(2.0) + 0.045 * 5, abs=0.25)
    assert f.cov[DIAGONAL[TAIL]] < 0.35**2 / 2


def test_hours_at_absorption_are_full_without_a_current() -> None:
    """Four hours, if the count agrees to 95 %; told once."""
    f, marks = known(0.96, 0.05), Marks()
    marks, anchor = by_charger_alone(AGM, f, marks, slot(0.1), seen(FULL_V, 0.0))
    assert (marks.held_since_ms, anchor) == (0, None)
    assert by_charger_alone(AGM, f, marks, slot(0.1, 3.8), seen(FULL_V, 0.0))[1] is None
    later, anchor = by_charger_alone(AGM, f, marks, slot(0.1, 3.9), seen(FULL_V, 0.0))
    assert anchor is not None
    assert later.full_ms == 4 * HOUR
    again, none = by_charger_alone(AGM, f, later, slot(0.1, 5.0), seen(FULL_V, 0.0))
    assert (again.full_ms, none) == (round(5.1 * HOUR), None)
    assert by_charger_alone(AGM, known(0.949, 0.05), marks, slot(0.1, 5.0), seen(FULL_V, 0.0))[1] is None
    assert by_charger_alone(AGM, f, marks, slot(0.1, 5.0), seen(FULL_V - 0.01, 0.0))[0].held_since_ms is None


def test_rest_is_a_small_slope_and_time_enough() -> None:
    """Under 0.4 A of 100 Ah it rests; after two hours and with less than 3 mV an hour its voltage counts; a load ends it."""
    marks = Marks()
    for n in range(30):
        marks = rest_marked(AGM, marks, slot(0.1, n / 10), seen(12.5 - 0.0029 * n / 10, 0.4), False, 0.05)
    assert marks.rest_since_ms == 0
    assert marks.slope_v_per_h == pytest.approx(-0.0029, abs=1e-5)
    assert settled(AGM, marks, 2 * HOUR)
    assert not settled(AGM, marks, 2 * HOUR - 1)
    assert not settled(AGM, marks._replace(slope_v_per_h=0.003), 3 * HOUR)
    assert not settled(AGM, marks._replace(slope_v_per_h=None), 3 * HOUR)
    assert rest_marked(AGM, marks, slot(0.1, 3.0), seen(12.5, 0.41), False, 0.05).rest_since_ms is None
    assert rest_marked(AGM, marks, slot(0.1, 3.0), seen(12.5, -0.41), False, 0.05).rest_since_ms is None
    assert rest_marked(AGM, marks, slot(0.1, 3.0), seen(AGM.float_v, 0.0), False, 0.05).rest_since_ms is None
    assert marks.rest_v is not None
    for volts, rests in ((marks.rest_v + 0.019, True), (marks.rest_v + 0.021, False), (marks.rest_v - 0.021, False)):
        assert (rest_marked(AGM, marks, slot(0.1, 3.0), seen(volts, 0.0), True, 0.05).rest_since_ms is not None) is rests
    f = known(0.7)
    anchor = rest_anchor(AGM, f, marks._replace(rest_moved=-0.1, rest_sd=0.05), 3 * HOUR)
    assert anchor is not None
    assert (anchor.kind, anchor.before_pct, anchor.after_pct) == ("rest", pytest.approx(80), pytest.approx(70))
    assert rest_anchor(AGM, f, marks._replace(rest_anchor_ms=3 * HOUR), 9 * HOUR - 1) is None
    assert rest_anchor(AGM, f, marks._replace(rest_anchor_ms=3 * HOUR), 9 * HOUR) is not None
    assert rest_anchor(LITHIUM, known(0.5, 0.1, LITHIUM), marks, 3 * HOUR) is None


def test_a_measurement_that_lasts_narrows_to_itself_and_no_further() -> None:
    """A belief of ± 20 points told 50 ± 10 becomes just that; one that is as sure already stays; one far off is dropped for it."""
    f = up_to(known(0.6, 0.2), 0.5, 0.01)
    assert f.cov[0] == pytest.approx(0.01)
    assert f.mean[SOC] == pytest.approx(0.6 - 0.1 * (1 - 0.01 / 0.04))
    sure = known(0.6, 0.1)
    assert up_to(sure, 0.5, 0.01) == sure
    dropped = up_to(known(0.9, 0.02), 0.3, 0.01)
    assert dropped.mean[SOC] == pytest.approx(0.3, abs=0.08)
    assert up_to(known(0.9, 0.02), 0.6, 0.01).mean[SOC] == pytest.approx(0.9)


def test_lithiums_curve_is_weighed_across_what_may_be() -> None:
    """A voltage of the steep end moves a wide belief there; on the plateau it hardly moves it; the same without a current."""
    top, middle = LITHIUM.grid[-1], LITHIUM.grid[len(LITHIUM.grid) // 2]
    wide = known(0.5, 0.25, LITHIUM)
    low = by_curve(LITHIUM, wide, LITHIUM.grid[len(LITHIUM.grid) // 50], 1e-4, 1.0)
    assert low.mean[SOC] < 0.2
    assert low.cov[0] < wide.cov[0] / 4
    flat = by_curve(LITHIUM, wide, middle, 1e-4, 1.0)
    assert abs(flat.mean[SOC] - 0.5) < 0.1
    assert flat.cov[0] > 0.1**2
    high = by_curve_alone(LITHIUM, wide, top + 1.0, 1e-4)
    assert high.mean[SOC] > 0.85
    assert by_curve_alone(LITHIUM, wide, 8.0, 1e-4).mean[SOC] < 0.15
    lasting = by_curve(LITHIUM, wide, LITHIUM.grid[len(LITHIUM.grid) // 50], 1e-4, 8.0)
    assert low.cov[0] < lasting.cov[0]


def test_the_line_across_what_may_be() -> None:
    """Between one deviation below and above; never flatter than 5 mV for a whole charge; beyond the ends not at all."""
    rest, per_soc, bend = secant(LITHIUM, 0.5, 0.1)
    at = [LITHIUM.grid[round(x * (len(LITHIUM.grid) - 1))] for x in (0.4, 0.5, 0.6)]
    assert rest == pytest.approx(at[1])
    assert per_soc == pytest.approx(max((at[2] - at[0]) / 0.2, 0.005))
    assert bend == pytest.approx(max(abs(at[1] - at[0] - per_soc * 0.1), abs(at[2] - at[1] - per_soc * 0.1)), abs=1e-9)
    assert secant(LITHIUM, 1.2, 0.1) == secant(LITHIUM, 1.0, 0.1)
    assert secant(LITHIUM, -0.2, 0.1) == secant(LITHIUM, 0.0, 0.1)
    own = Battery("b", "lifepo4", 100.0, cells=4, rest_voltage_table=((0.0, 11.0), (50.0, 13.2), (100.0, 13.6)))
    assert unsure_v(estimate.model_of(own)) == 0.0
    assert unsure_v(LITHIUM) == pytest.approx(8 * LITHIUM.battery.kind.rest_voltage_spread_v.value)
    assert room(LITHIUM, 0.99, 0.03**2) == pytest.approx(0.75)
    assert room(LITHIUM, 0.99, 0.015**2) == 0.0
    assert room(LITHIUM, 0.5, 0.05**2) == 0.0


def test_a_rest_voltage_corrects_and_a_charging_one_does_not() -> None:
    """At rest it moves the belief towards the table's charge; above what rest can be by 0.1 V it says nothing; misfit weakens it."""
    f = known(0.5, 0.1)
    at = by_voltage(AGM, f, SEEING, seen(estimate.rest_v(AGM, 70), 0.0, 8.0))
    assert at is not None
    assert 0.55 < at[0].mean[SOC] < 0.7
    assert at[0].cov[0] < f.cov[0]
    assert by_voltage(AGM, f, SEEING, seen(AGM.top_v + 0.101, 0.0)) is None
    assert by_voltage(AGM, f, SEEING, seen(AGM.top_v + 0.099, 0.0)) is not None
    doubted = by_voltage(AGM, f, SEEING._replace(misfit=9.0), seen(estimate.rest_v(AGM, 70), 0.0, 8.0))
    loaded = by_voltage(AGM, f, SEEING, seen(estimate.rest_v(AGM, 70) - 0.5, -20.0, 8.0))
    charged = by_voltage(AGM, f, SEEING, seen(estimate.rest_v(AGM, 70), 1.0, 8.0))
    for less in (doubted, loaded, charged):
        assert less is not None
        assert less[0].cov[0] > at[0].cov[0]
    short = by_voltage(AGM, f, SEEING, seen(estimate.rest_v(AGM, 70) - 0.5, -20.0, 0.1))
    assert short is not None
    assert loaded is not None
    assert short[0].cov[0] > loaded[0].cov[0]


def heard(owner: Battery) -> tuple[estimate.Model, Belief]:
    model = estimate.model_of(owner)
    belief = estimate.fresh(model)
    for k in range(120):
        belief = estimate.advance(model, belief, Reading("b", k * 60_000, 12.5, -1.0 if k % 20 < 10 else -0.2, 20.0))
    return model, belief


def test_what_is_told_is_the_doubt_made_wide_enough() -> None:
    """1.4 deviations of filter and table to either side, within 0 and 100; three points where only a start is declared; nothing of nothing."""
    model, belief = heard(Battery("b", "agm", 100.0))
    pct, low, high = interval(model, belief)
    assert belief.filter is not None
    assert pct is not None
    assert low is not None
    assert high is not None
    assert high - pct == pytest.approx(100 * 1.4 * sqrt(belief.filter.cov[0] + model.unread))
    assert pct - low == pytest.approx(high - pct)
    assert pytest.approx(1.4) == TOLD
    assert interval(model, estimate.fresh(model)) == (None, None, None)
    declared = estimate.model_of(Battery("b", "agm", 100.0, initial_state_of_charge_pct=99.0))
    assert interval(declared, estimate.fresh(declared)) == (99.0, pytest.approx(99 - 4.2), 100.0)
    assert interval(model, belief._replace(soc=-0.01))[:2] == (0.0, 0.0)
    assert interval(model, belief._replace(soc=1.01))[::2] == (100.0, 100.0)


def test_learned_values_have_their_intervals() -> None:
    """Ninety per cent of a normal distribution: 1.645 deviations; the tail in hours, on its logarithm; a resistance never below nothing."""
    model, belief = heard(Battery("b", "agm", 100.0, sensor=Sensor(current_offset_a=0.1)))
    assert belief.filter is not None
    assert belief.habit is not None
    by_name = {one.name: one for one in learned(model, belief)}
    for name, state, unit in (
        ("usable_capacity_ah", CAPACITY, 100.0),
        ("current_offset_a", OFFSET, 1.0),
        ("rest_voltage_offset_v", TABLE, 1.0),
    ):
        one = by_name[name]
        assert one.value == pytest.approx(unit * belief.filter.mean[state])
        assert one.high - one.value == pytest.approx(1.645 * unit * sqrt(belief.filter.cov[DIAGONAL[state]]))
        assert one.value - one.low == pytest.approx(one.high - one.value)
    tail = by_name["charge_acceptance_h"]
    assert log(tail.high / tail.value) == pytest.approx(NINETY * sqrt(belief.filter.cov[DIAGONAL[TAIL]]))
    assert tail.high / tail.value == pytest.approx(tail.value / tail.low)
    ohms = by_name["internal_resistance_ohm"]
    half = 1.645 * sqrt(belief.habit.resistance_var)
    assert (ohms.value, ohms.high) == (belief.habit.resistance, pytest.approx(belief.habit.resistance + half))
    assert ohms.low == pytest.approx(max(0.0, belief.habit.resistance - half))
    reset = forgotten(model, belief, "internal_resistance_ohm").habit
    assert reset is not None
    assert (reset.resistance, reset.resistance_var) == (model.ohms, pytest.approx((0.6 * model.ohms) ** 2))


def test_what_no_thermometer_in_use_can_say_is_not_believed() -> None:
    """Codes of a start and of a broken wire, and what is beyond -45 to 75 °C."""
    assert [believable_c(c) for c in (None, 85.0, -127.0, -45.1, 75.1)] == [None] * 5
    assert [believable_c(c) for c in (-45.0, 0.0, 75.0)] == [-45.0, 0.0, 75.0]


def test_a_slot_settles_after_five_minutes_and_a_calm_one_after_fifteen() -> None:
    """A steady half ampere is settled every quarter of an hour, one that strays every five minutes; a second reading of a moment is none."""
    model = estimate.model_of(Battery("b", "agm", 100.0))
    for stray, minutes in ((0.0, 15), (1.0, 5)):
        belief, began = estimate.fresh(model), []
        for k in range(31):
            belief = estimate.advance(model, belief, Reading("b", k * 60_000, 12.5, -0.5 - stray * (k % 2), 20.0))
            assert belief.slot is not None
            began.append(belief.slot.begin_ms // 60_000)
        assert sorted(set(began)) == list(range(0, 31, minutes))
    assert estimate.advance(model, belief, Reading("b", 30 * 60_000, 14.0, 9.0, 20.0)) == belief
