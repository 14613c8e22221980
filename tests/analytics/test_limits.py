"""What stands exactly at a limit: to which side of it that counts, where the remark beside the limit says "from", "until" or "more than"."""

from collections.abc import Callable
from typing import Any

import pytest

from analytics.ageing import AgeingMemory, Life
from analytics.ageing.memory import Swap
from analytics.ageing.telling import has_faded, oftener
from analytics.assessment import Finding
from analytics.battery import Battery, ChargeWindow
from analytics.care import CareMemory
from analytics.charging import Session, window
from analytics.charging.describe import kind_of_charger
from analytics.charging.sessions import all_at_once, is_full, margin_v, quiet_a, tail_a, was_filling
from analytics.charging.telling import likely_cause, relevant, span_of
from analytics.estimate.charged import absorbing, by_charger
from analytics.estimate.counting import floating, over_slot, possible
from analytics.estimate.emptied import at_end, left
from analytics.estimate.lithium import room
from analytics.estimate.resting import rest_marked
from analytics.estimate.voltage import by_voltage
from analytics.rules.wording import ahead, amperes, lasting
from analytics.trend.freezing import freezing_point_c
from analytics.trend.memory import TrendMemory
from analytics.view import View
from tests.analytics import test_corrections as corrections
from tests.analytics import test_filter as filtering
from tests.analytics.lives import NOON_MS, agm
from tests.analytics.test_thresholds import AGM, BY_ID, DAY, FLOAT_V, HOUR, LITHIUM, LOW_V, MINUTE, TOP_V, after, grave, speaks, with_

USUAL, STRONGEST, MILDEST = window.compensation_v_per_k(AGM)
HIGH_V, MARGIN_V = window.absorption_high_v(AGM), margin_v(AGM)
WARM_V, WARM_USUAL_V = HIGH_V + STRONGEST * 8.0 + MARGIN_V, window.raised_v(AGM, HIGH_V, 33.0) + MARGIN_V
COLD_V = LOW_V + MILDEST * -20.0 + 1.5 * USUAL - MARGIN_V
FLOODED = Battery("heron", "flooded", 100.0)
STRICT = agm(charge_window=ChargeWindow(max_charge_current_a=20.0), sensor=AGM.sensor)
SPREAD: dict[str, Any] = {"cool_c": 10.0, "warm_c": 25.0, "cool_v": 14.4, "warm_v": 14.4}
HEAT_C = AGM.kind.charge_highest_c.high


def absorbed(volts: float = 14.55, celsius: float | None = 25.0, battery: Battery = AGM, **more: Any) -> tuple[View, bool]:
    return after(battery, **{"absorption_v": volts, "absorption_c": celsius, "absorption_ms": 30 * MINUTE, **more})


def above(volts: float, battery: Battery = AGM, **more: Any) -> tuple[View, bool]:
    """A higher set-point after the absorption."""
    known = {"absorption_v": 14.4, "absorption_ms": 10 * MINUTE, "equalisation_ms": 15 * MINUTE, "equalisation_v": volts}
    return after(battery, **{**known, **more})


def aged(battery: Battery = AGM, **life: Any) -> View:
    return with_(battery, ageing=AgeingMemory(NOON_MS, 0.0, 0.0, Life(**{"begun_ms": 0, "at_ms": NOON_MS, **life})))


def trend_of(**trend: Any) -> View:
    return with_(trend=TrendMemory(**trend))


CASES: list[tuple[str, str, Callable[[], tuple[View, bool]]]] = [
    ("charge_compensation", "speaks", lambda: absorbed(WARM_USUAL_V, 33.0)),
    ("charge_compensation", "silent", lambda: absorbed(WARM_V, 33.0)),
    ("charge_compensation", "silent", lambda: absorbed(WARM_USUAL_V, 32.9)),
    ("charge_compensation", "speaks", lambda: absorbed(LOW_V - 0.05, 5.0)),
    ("charge_compensation", "silent", lambda: absorbed(LOW_V - 0.051, 5.0)),
    ("charge_compensation", "silent", lambda: absorbed(LOW_V - 0.05, 5.1)),
    ("charge_compensation", "silent", lambda: absorbed(COLD_V, 5.0)),
    ("charge_compensation", "speaks", lambda: absorbed(COLD_V - 0.001, 5.0)),
    ("charge_compensation", "silent", lambda: absorbed(COLD_V - 0.001, 5.0, charge_ah=4.9)),
    ("charge_compensation", "speaks", lambda: absorbed(**SPREAD, breaks=1)),
    ("charge_compensation", "silent", lambda: absorbed(**SPREAD, breaks=2)),
    ("charge_compensation", "silent", lambda: absorbed(**{**SPREAD, "warm_c": 24.9})),
    ("charge_compensation", "silent", lambda: absorbed(**{**SPREAD, "warm_c": None})),
    ("charge_compensation", "silent", lambda: absorbed(**SPREAD, begin_ms=NOON_MS - 30 * HOUR - 1)),
    ("charge_compensation", "silent", lambda: absorbed(**SPREAD, absorption_ms=30 * MINUTE - 1)),
    ("charge_compensation", "holds", lambda: absorbed(**SPREAD, absorption_ms=30 * MINUTE - 1, standing=True)),
    ("charge_compensation", "silent", lambda: absorbed(battery=LITHIUM, **SPREAD)),
    ("charge_compensation", "speaks", lambda: absorbed(**{**SPREAD, "warm_v": 14.4 + 15 * 0.21 * USUAL / 1.06})),
    ("charge_compensation", "silent", lambda: absorbed(**{**SPREAD, "warm_v": 14.4 + 15 * USUAL})),
    ("charge_compensation", "speaks", lambda: absorbed(**{**SPREAD, "warm_v": 14.4 + 15 * 2.01 * STRONGEST})),
    ("charge_equalisation", "speaks", lambda: above(14.4 + 0.181)),
    ("charge_equalisation", "silent", lambda: above(14.4 + 0.03 * 6)),
    ("charge_equalisation", "silent", lambda: above(14.6, absorption_ms=10 * MINUTE - 1)),
    ("charge_equalisation", "silent", lambda: above(14.6, equalisation_ms=15 * MINUTE - 1)),
    ("charge_equalisation", "silent", lambda: above(15.5, FLOODED, equalisation_ms=8 * HOUR)),
    ("charge_equalisation", "speaks", lambda: above(15.5, FLOODED, equalisation_ms=8 * HOUR + 1)),
    ("charge_equalisation", "holds", lambda: after(standing=True)),
    ("charge_equalisation", "silent", lambda: after(standing=True, float_ms=1)),
    ("charge_equalisation", "silent", lambda: after(standing=True, over=True, absorption_ms=1)),
    ("charge_over_voltage", "silent", lambda: after(high_v=TOP_V + 0.6, high_c=25.0, high_ms=2 * MINUTE)),
    ("charge_over_voltage", "silent", lambda: after(float_v=FLOAT_V + 0.02 * 6 + MARGIN_V, float_c=25.0, float_ms=4 * HOUR)),
    ("charge_current_high", "silent", lambda: after(STRICT, peak_a=20.0 * 1.05 * (1 + 1.5 * AGM.sensor.current_gain_pct / 100))),
    ("charge_runaway", "speaks", lambda: after(rising_ms=20 * MINUTE, rising_from_a=9.0, rising_to_a=9.5, hottest_c=HEAT_C, rising_from_c=18.0)),
    ("maintainer", "speaks", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS - DAY)), False)),
    ("maintainer", "silent", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS - DAY + 1)), False)),
    ("maintainer", "speaks", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS, charging_h=96.0, held_pct=89.9)), False)),
    ("maintainer", "silent", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS, charging_h=96.0, held_pct=90.0)), False)),
    ("maintainer", "silent", lambda: (with_(care=CareMemory(maintained=True, charge_ms=NOON_MS, charging_h=95.9, held_pct=89.9)), False)),
    ("returned_low", "speaks", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - 14 * DAY, returned_pct=84.9)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - 14 * DAY - 1, returned_pct=84.9)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=85.0)), False)),
    ("returned_low", "speaks", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=80.0, charge_ms=NOON_MS - DAY)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=80.0, charge_ms=NOON_MS - DAY + 1)), False)),
    ("returned_low", "silent", lambda: (with_(care=CareMemory(returned_ms=NOON_MS - DAY, returned_pct=80.0, charging_h=0.1)), False)),
    ("unexplained_rise", "speaks", lambda: (trend_of(changed_ms=NOON_MS - 14 * DAY), False)),
    ("unexplained_rise", "silent", lambda: (trend_of(changed_ms=NOON_MS - 14 * DAY - 1), False)),
    ("another_battery", "speaks", lambda: (aged(swap=Swap(0, NOON_MS - 14 * DAY, 60.0, 90.0, 0.0, True)), False)),
    ("another_battery", "silent", lambda: (aged(swap=Swap(0, NOON_MS - 14 * DAY - 1, 60.0, 90.0, 0.0, True)), False)),
    ("another_battery", "silent", lambda: (aged(swap=Swap(0, NOON_MS - DAY, 60.0, 90.0, 0.0, False)), False)),
    ("ageing_cycles", "speaks", lambda: (aged(damage=0.8), False)),
    ("ageing_cycles", "silent", lambda: (aged(damage=0.79), False)),
    ("ageing_resistance", "speaks", lambda: (aged(resistance_ohm=0.016, resistance_new_ohm=0.01, begun_ms=NOON_MS - 30 * DAY), False)),
    ("ageing_resistance", "silent", lambda: (aged(resistance_ohm=0.016, resistance_new_ohm=0.01, begun_ms=NOON_MS - 30 * DAY + 1), False)),
    ("ageing_resistance", "silent", lambda: (aged(resistance_ohm=0.0159, resistance_new_ohm=0.01), False)),
    ("ageing_resistance", "speaks", lambda: (aged(resistance_ohm=0.014, resistance_new_ohm=0.01), True)),
    ("ageing_resistance", "silent", lambda: (aged(resistance_ohm=0.0139, resistance_new_ohm=0.01), True)),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "says", "made"), CASES, ids=lambda x: x if isinstance(x, str) else "")
def test_a_rule_at_its_limit(rule: str, says: str, made: Callable[[], tuple[View, bool]]) -> None:
    """Just enough is enough, and what must be exceeded is not exceeded by its equal."""
    assert speaks(rule, *made()) == says


def test_what_a_finding_says_turns_with_its_figures() -> None:
    """A step up asks for a charger and one down for a load; five hundredths of a volt a cell make over-voltage grave; so does lithium."""
    for after_pct, word in ((90.0, "a charger that"), (30.0, "a load that"), (60.0, "a load that")):
        judged = BY_ID["another_battery"].judge(aged(swap=Swap(NOON_MS - 2 * DAY, NOON_MS - DAY, 60.0, after_pct, 0.0, True)), False)
        assert isinstance(judged, Finding)
        assert word in judged.advice
    assert grave("charge_equalisation", above(14.6)[0])[0] == "high"
    assert grave("charge_equalisation", above(15.5, FLOODED, equalisation_ms=9 * HOUR)[0])[0] == "medium"
    cold = grave("charge_compensation", absorbed(LOW_V - 0.05, 5.0)[0])
    warm = grave("charge_compensation", absorbed(WARM_USUAL_V, 33.0)[0])
    for (priority, figures), celsius, limit_v in ((cold, 5.0, COLD_V), (warm, 33.0, WARM_V)):
        assert priority == ("low" if celsius == 5.0 else "medium")
        assert figures["limit_v"] == round(limit_v, 2)
        assert figures["expected_v"] == round((LOW_V + HIGH_V) / 2 + USUAL * (celsius - 25), 2)
    _, measured = grave("charge_compensation", absorbed(**{**SPREAD, "warm_v": 14.7})[0])
    assert measured["measured_mv_per_k_and_cell"] == round(1000 * 0.3 / 15 / 6, 1)


def test_times_and_currents_in_words_turn_at_their_limits() -> None:
    """Minutes below an hour and a half, hours below two days; milliamperes below one ampere, in tens from a hundred on."""
    assert [lasting(h) for h in (1.49, 1.5, 47.9, 48.0)] == ["89 minutes", "2 hours", "48 hours", "2 days"]
    assert [ahead(NOON_MS + ms, NOON_MS) for ms in (MINUTE - 1, MINUTE, 2 * DAY)] == ["now", "in 1 minutes", "in 2 days"]
    assert [amperes(a) for a in (0.999, 1.0, -1.0, 0.1, 0.099, 0.124)] == ["1000 mA", "1.0 A", "-1.0 A", "100 mA", "99 mA", "120 mA"]
    assert [span_of(m * MINUTE) for m in (89, 90, 48 * 60 - 1, 48 * 60)] == ["89 minutes", "1.5 hours", "48.0 hours", "2 days"]


def session(**figures: Any) -> Session:
    return Session(**{"begin_ms": 0, "end_ms": 8 * HOUR, **figures})


def test_a_charge_at_the_limits_of_what_it_is_called() -> None:
    """Full, worth the name, all at once, still relevant: each at its figure and just short of it."""
    tail = {"tail_a": 1.0, "absorption_ms": HOUR}
    cases: list[tuple[Battery, dict[str, Any], bool]] = [
        (AGM, {"equalisation_ms": 30 * MINUTE}, True), (AGM, {"equalisation_ms": 30 * MINUTE - 1}, False),
        (AGM, {**tail, "tail_ms": 30 * MINUTE}, True), (AGM, {**tail, "tail_ms": 30 * MINUTE - 1}, False),
        (LITHIUM, {**tail, "tail_ms": 5 * MINUTE}, True), (LITHIUM, {**tail, "tail_ms": 5 * MINUTE - 1}, False),
        (AGM, {**tail, "tail_a": 2.5 * tail_a(AGM), "float_ms": 30 * MINUTE}, True), (AGM, {**tail, "tail_a": 2.51 * tail_a(AGM), "float_ms": 30 * MINUTE}, False),
        (AGM, {**tail, "float_ms": 30 * MINUTE - 1}, False), (AGM, {**tail, "absorption_ms": 0, "float_ms": 30 * MINUTE}, False),
        (AGM, {"absorption_ms": 4 * HOUR, "absorption_v": 14.4}, True), (AGM, {"absorption_ms": 4 * HOUR - 1, "absorption_v": 14.4}, False),
        (AGM, {"absorption_ms": HOUR, "absorption_v": 14.4, "float_ms": 30 * MINUTE}, True), (AGM, {"absorption_ms": HOUR - 1, "absorption_v": 14.4, "float_ms": 30 * MINUTE}, False),
        (AGM, {"float_ms": 12 * HOUR}, True), (AGM, {"float_ms": 12 * HOUR - 1}, False),
    ]  # fmt: skip
    for battery, figures, full in cases:
        assert is_full(battery, session(**figures)) is full, figures
    worth: list[tuple[dict[str, Any], bool]] = [
        ({"begin_pct": 85.0, "bulk_ms": 30 * MINUTE}, True), ({"begin_pct": 85.1, "bulk_ms": 30 * MINUTE}, False), ({"bulk_ms": 30 * MINUTE - 1}, False),
        ({"charge_ah": 5.0, "peak_a": 3.0}, True), ({"charge_ah": 4.99, "peak_a": 3.0}, False), ({"charge_ah": 5.0, "peak_a": 2.99}, False), ({"charge_ah": 5.0}, False),
    ]  # fmt: skip
    for figures, filling in worth:
        assert was_filling(AGM, session(**figures)) is filling, figures
    quiet = quiet_a(AGM)
    assert all_at_once(AGM, session(first_a=3 * quiet, peak_a=3 * quiet)) is True
    assert all_at_once(AGM, session(first_a=3 * quiet, peak_a=2.99 * quiet)) is None
    assert [all_at_once(AGM, session(first_a=a, peak_a=10.0)) for a in (5.0, 4.99)] == [True, False]
    ended = session(over=True)
    assert [relevant(ended, 8 * HOUR + ms) for ms in (14 * DAY, 14 * DAY + 1)] == [ended, None]


@pytest.mark.parametrize(
    ("figures", "drives", "begins"),
    [
        ({"pulses": 3}, 0, "source in pulses"), ({"pulses": 3}, 1, "source in pulses"), ({"pulses": 3, "end_ms": 6 * HOUR}, 1, "smart alternator"),
        ({"pulses": 2, "swings": 24}, 0, "source in pulses"), ({"pulses": 2, "swings": 23}, 0, "cannot tell"), ({"swings": 6, "end_ms": 2 * HOUR}, 0, "source"),
        ({"swings": 5, "end_ms": HOUR}, 0, "cannot tell"), ({"end_ms": 16 * HOUR, "breaks": 3, "absorption_ms": 10 * MINUTE, "float_ms": 10 * MINUTE}, 0, "mains charger"),
        ({"end_ms": 16 * HOUR - 1, "breaks": 3, "absorption_ms": 10 * MINUTE, "float_ms": 10 * MINUTE}, 0, "cannot tell: no current"),
        ({"end_ms": 16 * HOUR, "breaks": 4, "absorption_ms": 10 * MINUTE, "float_ms": 10 * MINUTE}, 0, "cannot tell: it comes and goes"),
        ({"end_ms": 16 * HOUR, "absorption_ms": 10 * MINUTE, "float_ms": 10 * MINUTE - 1}, 0, "cannot tell: plugged in"),
        ({"end_ms": 16 * HOUR, "absorption_v": 13.95}, 0, "fixed-voltage"), ({"end_ms": 16 * HOUR, "absorption_v": 13.96}, 0, "cannot tell"),
        ({"first_a": 1.0, "peak_a": 20.0, "bulk_ms": 30 * MINUTE}, 0, "solar"), ({"first_a": 1.0, "peak_a": 20.0, "bulk_ms": 30 * MINUTE - 1}, 0, "cannot tell: the current"),
        ({"first_a": 19.0, "peak_a": 20.0, "end_ms": 6 * HOUR, "absorption_ms": HOUR, "bulk_ms": 15 * MINUTE}, 2, "alternator"),
        ({"first_a": 19.0, "peak_a": 20.0, "end_ms": 6 * HOUR, "absorption_ms": HOUR, "bulk_ms": 15 * MINUTE + 1}, 2, "cannot tell: alternator"),
        ({"first_a": 19.0, "peak_a": 20.0, "end_ms": 6 * HOUR, "absorption_ms": HOUR, "float_ms": 10 * MINUTE}, 2, "DC-DC"),
        ({"first_a": 19.0, "peak_a": 20.0, "end_ms": 6 * HOUR, "absorption_ms": HOUR, "bulk_ms": 15 * MINUTE}, 1, "cannot tell: too little"),
        ({"first_a": 19.0, "peak_a": 20.0, "absorption_ms": 3 * HOUR, "absorption_v": 13.8}, 0, "fixed-voltage"),
        ({"first_a": 19.0, "peak_a": 20.0, "absorption_ms": 3 * HOUR - 1, "absorption_v": 13.8}, 0, "cannot tell: too little"),
    ],
)  # fmt: skip
def test_what_charges_is_told_by_the_shape_of_its_charge(figures: dict[str, Any], drives: int, begins: str) -> None:
    """Pulses, breaks, stages, drives and set-points from both sides of the figure that tells one source from another."""
    assert kind_of_charger(AGM, session(**figures), drives).startswith(begins)


def test_whose_profile_a_voltage_looks_like() -> None:
    """In warmth from 33 °C on the missing compensation; 0.42 V (six cells) above the window an equalisation; too low, a setting or a cable."""
    assert "warmth" in likely_cause(AGM, HIGH_V, 33.0)
    assert "warmth" not in likely_cause(AGM, HIGH_V, 32.9)
    assert "warmth" not in likely_cause(AGM, HIGH_V + 0.01, 33.0)
    assert "equalisation" in likely_cause(AGM, HIGH_V + 0.43, 25.0)
    assert "equalisation" not in likely_cause(AGM, HIGH_V + 0.41, 25.0)
    assert "too low a setting" in likely_cause(AGM, 12.9, 25.0)
    assert "gel" in likely_cause(AGM, 14.1, 25.0)


def test_the_estimate_at_its_limits() -> None:
    """Inclusive where the remark says from, exclusive where it says more than; beyond empty and full nothing is told."""
    model, f = filtering.AGM, filtering.prior(filtering.AGM, 0.6, 0.05)
    habit, seen = filtering.SEEING, corrections.seen
    assert [possible(soc) for soc in (0.0, 1.0)] == [0.0, 1.0]
    calm, doubted = (over_slot(model, f, habit._replace(misfit=m), filtering.slot(1.0, 0.0)).cov[0] for m in (1.99, 2.0))
    assert doubted - calm == pytest.approx(0.03**2 * 6)
    still, repeated = (over_slot(model, f, habit._replace(still=n), filtering.slot(1.0, 0.0)).cov[0] for n in (2, 3))
    assert repeated - still == pytest.approx(0.03**2 * 5)
    most = 0.002 * model.capacity_ah
    assert [floating(model, volts, amps) for volts, amps in ((model.float_v, 0.0), (13.6, most), (13.6, -most), (13.6, 0.19))] == [
        False
    ] * 3 + [True]
    sure, unsure = (by_voltage(model, f, habit._replace(misfit=m), seen(12.5, 0.0)) for m in (2.0, 2.01))
    assert sure is not None
    assert unsure is not None
    assert sure == by_voltage(model, f, habit, seen(12.5, 0.0))
    assert unsure[0].cov[0] > sure[0].cov[0]
    bounds = [bound for band in filtering.LITHIUM.battery.kind.voltage_tells for bound in band if 0 < bound < 100]
    for bound in bounds:
        assert 100 * (bound / 100) == bound
        assert room(filtering.LITHIUM, bound / 100, 0.02**2) == pytest.approx(1 - (0.015 / 0.02) ** 2)
    end_v = model.battery.kind.end_of_discharge_v.value * 6
    for volts, amps, ends in ((end_v, 0.0, True), (end_v + 0.001, 0.0, False), (end_v, -20.0, True), (end_v, -20.1, False),
                              (end_v, 0.5 * model.step_a, True), (end_v, 0.51 * model.step_a, False)):  # fmt: skip
        assert at_end(model, seen(volts, amps)) is ends
    marks = corrections.Marks()
    assert rest_marked(model, marks, corrections.slot(0.1), seen(12.5, 0.004 * model.capacity_ah), False, 0.05).rest_since_ms == 0
    least_a = -3 * model.battery.sensor.current_offset_a
    assert by_charger(model, f, marks, corrections.slot(0.1), seen(model.float_v, least_a + 0.001))[1].held_since_ms == 0
    assert by_charger(model, f, marks, corrections.slot(0.1), seen(model.float_v, least_a))[1].held_since_ms is None
    assert absorbing(model, seen(model.full_v, 0.001))
    assert not absorbing(model, seen(model.full_v, 0.0))


def test_what_is_left_at_the_end_of_a_discharge() -> None:
    """Nothing at 25 °C and the rate of the declaration; what the cold holds back, less in a slow discharge; Peukert's loss in a fast one."""
    model, kind = filtering.AGM, AGM.kind
    cold = kind.capacity_per_k.value * 20
    assert left(model, corrections.seen(10.5, -5.0)) == 0.0
    assert left(model, corrections.seen(10.5, -5.0, celsius=None)) == 0.0
    assert left(model, corrections.seen(10.5, -5.0, celsius=5.0)) == pytest.approx(cold)
    assert left(model, corrections.seen(10.5, -0.5, celsius=5.0)) == pytest.approx(cold * 0.1**0.3)
    assert left(model, corrections.seen(10.5, -20.0)) == pytest.approx(0.4 * (kind.peukert.value - 1) * 1.3862944)


def test_ageing_at_its_limits() -> None:
    """Faded from a tenth in two months on; oftener from eight charges and a quarter less on; acid freezes by its table and not beyond it."""
    for begun_ms, ah, faded in ((NOON_MS - 60 * DAY, 90.0, True), (NOON_MS - 60 * DAY + 1, 90.0, False), (NOON_MS - 60 * DAY, 90.1, False)):
        assert has_faded(aged(capacity_new_ah=100.0, begun_ms=begun_ms), ah) is faded
    life = Life(begun_ms=0, at_ms=0)
    pace = type(life.new)
    for charges, out_ah, told in ((8, 30.0, True), (7, 30.0, False), (8, 30.1, False)):
        said = oftener(life._replace(new=pace(charges, 3.0, 40.0), now=pace(8, 2.0, out_ah)))
        assert (said is not None) is told
    table = AGM.kind.freezing
    assert table is not None
    assert [freezing_point_c(AGM.kind, pct) for pct, _ in table.rows] == [c for _, c in table.rows]
    assert (freezing_point_c(AGM.kind, -5.0), freezing_point_c(AGM.kind, 105.0)) == (table.rows[0][1], table.rows[-1][1])
    assert freezing_point_c(LITHIUM.kind, 50.0) is None
