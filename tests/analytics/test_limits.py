"""What stands exactly at a limit: to which side of it that counts, where the remark beside the limit says "from", "until" or "more than"."""

from math import exp, inf, sqrt
from typing import Any

import pytest

from analytics import estimate
from analytics.ageing import Life
from analytics.ageing.capacity import _idled
from analytics.ageing.life import RESISTANCE_NEW_MS, RESISTANCE_PER_K, _resisting
from analytics.ageing.memory import Leg
from analytics.ageing.telling import capacity_interval, end_of_service, has_faded, oftener
from analytics.battery import Battery
from analytics.budget.energy import daily, strain_of
from analytics.budget.measured import daily_out_ah
from analytics.budget.plan import Burst, Installed, Plan
from analytics.charging import Session
from analytics.charging.describe import kind_of_charger
from analytics.charging.sessions import all_at_once, is_full, quiet_a, tail_a, was_filling
from analytics.charging.telling import likely_cause, relevant, span_of
from analytics.charging.window import absorption_high_v
from analytics.estimate.charged import absorbing, by_charger
from analytics.estimate.counting import between, floating, over_slot, possible
from analytics.estimate.emptied import at_end, left
from analytics.estimate.lithium import room
from analytics.estimate.resting import rest_marked
from analytics.estimate.voltage import by_voltage
from analytics.reading import Reading
from analytics.rules.wording import ahead, amperes, lasting
from analytics.runtime import runtime_h
from analytics.trend.forecast import forecast_of
from analytics.trend.freezing import freezing_point_c
from analytics.trend.points import OWN_TABLE_V
from tests.analytics import test_corrections as corrections
from tests.analytics import test_filter as filtering
from tests.analytics.lives import NOON_MS, fallen, view
from tests.analytics.test_limits_rules import aged
from tests.analytics.test_thresholds import AGM, DAY, HOUR, LITHIUM, MINUTE, with_

HIGH_V = absorption_high_v(AGM)


def test_times_and_currents_in_words_turn_at_their_limits() -> None:
    """Minutes below an hour and a half, hours below two days; milliamperes below one ampere, in tens from a hundred on."""
    assert [lasting(h) for h in (1.49, 1.5, 47.9, 48.0)] == ["89 minutes", "2 hours", "48 hours", "2 days"]
    assert [ahead(NOON_MS + ms, NOON_MS) for ms in (MINUTE - 1, MINUTE, 2 * DAY)] == ["now", "in 1 minute", "in 2 days"]
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
        ({"end_ms": 16 * HOUR, "absorption_v": 13.8, "absorption_c": 25.0}, 0, "fixed-voltage"), ({"end_ms": 16 * HOUR, "absorption_v": 13.8, "absorption_c": 5.0}, 0, "fixed"),
        ({"end_ms": 16 * HOUR, "absorption_v": 13.93, "absorption_c": 50.0}, 0, "cannot tell"), ({"end_ms": 16 * HOUR}, 0, "cannot tell: plugged in"),
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


@pytest.mark.parametrize(("chemistry", "cells", "volts"), [("agm", 12, 27.6), ("lifepo4", 4, 13.8), ("lifepo4", 8, 27.6)])
def test_a_fixed_supply_is_known_whatever_it_feeds(chemistry: str, cells: int, volts: float) -> None:
    """13.8 V for six cells of lead or four of lithium, 0.15 V either way, and twice that at 24 V."""
    battery, off_v = Battery("heron", chemistry, 100.0, cells=cells), 0.15 * volts / 13.8
    for held_v, supply in (
        (volts, True),
        (volts - off_v + 0.01, True),
        (volts + off_v - 0.01, True),
        (volts - off_v - 0.01, False),
        (volts + off_v + 0.01, False),
    ):
        named = kind_of_charger(battery, session(end_ms=16 * HOUR, absorption_v=held_v))
        assert (named == "fixed-voltage supply") is supply, held_v


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
    assert [between(model, f, 0, ah) for ah in (60.0, 45.0, -60.0)] == [1.0, 1.0, 0.0]
    calm, doubted = (over_slot(model, f, habit._replace(misfit=m), filtering.slot(1.0, 0.0)).cov[0] for m in (1.99, 2.0))
    assert doubted - calm == pytest.approx(0.03**2 * 6)
    still, repeated = (over_slot(model, f, habit._replace(still=n), filtering.slot(1.0, 0.0)).cov[0] for n in (2, 3))
    assert repeated - still == pytest.approx(0.03**2 * 5)
    most = 0.002 * model.capacity_ah
    assert [floating(model, volts, amps) for volts, amps in ((model.float_v, 0.0), (13.6, most), (13.6, -most), (13.6, 0.19), (13.6, -0.19))] == [
        False, False, False, True, True,
    ]  # fmt: skip
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
        said = oftener(pace(charges, 3.0, 40.0), pace(8, 2.0, out_ah))
        assert (said is not None) is told
    table = AGM.kind.freezing
    assert table is not None
    assert [freezing_point_c(AGM.kind, pct) for pct, _ in table.rows] == [c for _, c in table.rows]
    assert (freezing_point_c(AGM.kind, -5.0), freezing_point_c(AGM.kind, 105.0)) == (table.rows[0][1], table.rows[-1][1])
    assert freezing_point_c(LITHIUM.kind, 50.0) is None


def test_years_left_and_capacity_follow_their_closed_forms() -> None:
    """A tenth of the life used in a year leaves nine by the figure, more or less by the published spread, 20 at most; 90 % of the doubt."""
    cycles, year_ms = AGM.kind.cycles, round(365.25 * DAY)
    for used in (0.1, 0.02, 0.6):
        service = end_of_service(aged(begun_ms=NOON_MS - year_ms), used)
        early, late = (max(0.0, end / (used * cycles.value) - 1) for end in (cycles.low, cycles.high))
        assert service == (pytest.approx(min(20.0, early)), None if late > 20 else pytest.approx(late))
    assert end_of_service(aged(begun_ms=NOON_MS - 30 * DAY), 0.1) is not None
    assert end_of_service(aged(begun_ms=NOON_MS - 30 * DAY + 1), 0.1) is None
    assert end_of_service(aged(), 0.0) is None
    half = 1.645 * sqrt(4.0 + (0.15 * 80) ** 2)
    assert capacity_interval(aged(capacity_ah=80.0, capacity_var=4.0)) == pytest.approx((80.0, 80 - half, 80 + half))


def test_what_a_long_rest_loses_is_self_discharge() -> None:
    """Five points in ten days less one that was drawn are twelve a month; a next rest moves it by three tenths; no charge, nine days or more."""
    seen, life = aged(), Life(begun_ms=0, at_ms=NOON_MS)
    cases = [(10.0, 1.0, 0.0, False, 12.0), (9.0, 1.0, 0.0, False, round(4 / 9 * 30, 2)), (8.9, 1.0, 0.0, False, None), (10.0, 10.0, 0.0, False, 0.0),
             (10.0, 10.1, 0.0, False, None), (10.0, 1.0, 0.02, False, 12.0), (10.0, 1.0, 0.021, False, None), (10.0, 1.0, 0.0, True, None)]  # fmt: skip
    for days, out_ah, in_ah, full, lost in cases:
        leg, far = Leg(0, 90.0, 0.0, 0.0, 0.5, full=full), Leg(round(days * DAY), 85.0, in_ah, out_ah, 0.5)
        assert _idled(seen, life, leg, far).self_discharge == lost, days
    leg, far = Leg(0, 90.0, 0.0, 0.0, 0.5), Leg(10 * DAY, 85.0, 0.0, 1.0, 0.5)
    assert _idled(seen, life._replace(self_discharge=10.0), leg, far).self_discharge == pytest.approx(10.6)


def test_resistance_is_followed_slowly_and_at_25_degrees() -> None:
    """Known to a tenth it counts: the first is the new one, for a while; each later one moves it by a fiftieth; cold is taken off."""
    seen = with_()
    belief = estimate.advance(seen.model, estimate.fresh(seen.model), Reading("heron", NOON_MS, 12.6, 0.0, 25.0))
    assert belief.habit is not None
    assert seen.span is not None

    def after_step(life: Life, ohm: float, sd_part: float = 0.099, celsius: float | None = 25.0) -> Life:
        assert belief.habit is not None
        assert seen.span is not None
        seen.belief = belief._replace(habit=belief.habit._replace(resistance=ohm, resistance_var=(sd_part * ohm) ** 2))
        seen.span = seen.span._replace(temperature_c=celsius)
        return _resisting(seen, life)

    life = Life(begun_ms=NOON_MS, at_ms=NOON_MS)
    first = after_step(life, 0.02)
    assert (first.resistance_ohm, first.resistance_new_ohm) == (0.02, 0.02)
    assert after_step(life, 0.02, 0.101) == after_step(life, 0.02, celsius=None) == life
    second = after_step(first, 0.03)
    assert (second.resistance_ohm, second.resistance_new_ohm) == (0.0202, 0.0202)
    old = after_step(first._replace(begun_ms=NOON_MS - RESISTANCE_NEW_MS - DAY), 0.03)
    assert (old.resistance_ohm, old.resistance_new_ohm) == (0.0202, 0.02)
    cold = after_step(life, 0.02, celsius=5.0).resistance_ohm
    assert cold == pytest.approx(0.02 * exp(RESISTANCE_PER_K * -20), abs=1e-6)
    assert cold < 0.02


def test_lithium_with_a_table_of_its_owner_is_warned_from_the_low_end_of_it() -> None:
    """The owner's table counts for 90 % of what it may be off, read on its lower side; a published one stands high already."""
    table = ((0.0, 12.0), (10.0, 12.8), (20.0, 13.0), (50.0, 13.15), (100.0, 13.4))
    own = Battery("heron", "lifepo4", 100.0, cells=4, rest_voltage_table=table)
    trend = fallen(own, 1.0, 8, own.limit_pct + 9)
    forecast, model = forecast_of(view(own, trend), trend), estimate.model_of(own)
    low_pct = estimate.rest_pct(model, estimate.rest_v(model, own.limit_pct + 9) - 1.645 * OWN_TABLE_V * 4, None)
    last_ms = trend.points[-1][0] * DAY + DAY // 2
    assert forecast.earliest_ms == pytest.approx(last_ms + max(0.0, low_pct - own.limit_pct) / 1.5 * DAY, abs=60_000)


def test_a_plan_at_its_limits() -> None:
    """A burst of just the limit is within it; an hour between two currents is measured, more is not; nonsense is refused."""
    plan = Plan(
        "p",
        (),
        (Burst("mover", 60, current_a=50.0), Burst("kettle", 120, power_w=600.0)),
        battery=Installed("agm", 100, burst_limit_a=50.0),
    )
    assert [strain_of(burst, plan, 50.0, 0.01).within_limit for burst in plan.bursts] == [True, True]
    assert strain_of(Burst("winch", 60, current_a=50.01), plan, 50.0, None).within_limit is False
    assert [use.watt_hours for use in daily(plan)] == pytest.approx([10.0, 20.0])
    assert [use.ampere_hours for use in daily(plan)] == pytest.approx([50 / 60, 50 / 30])
    hourly = [HOUR * n for n in range(25)]
    assert daily_out_ah(hourly, [-1.0] * 25) == [24.0]
    late = [*hourly[:12], hourly[12] + 1, *hourly[13:]]
    assert daily_out_ah(late, [-1.0] * 25) == []
    over_midnight = [DAY - 30 * MINUTE + HOUR * n for n in range(25)]
    parts = (hourly[1:], hourly[:24], hourly[2:], hourly[:23], over_midnight)
    assert [daily_out_ah(part, [-1.0] * len(part)) for part in parts] == [[23.0], [23.0], [], [], [23.0]]
    for wrong in ((0, 20, 1, 1.1), (100, 0, 1, 1.1), (100, 20, -0.1, 1.1), (100, 20, 1, 0.99)):
        with pytest.raises(ValueError, match="expected"):
            runtime_h(*wrong)
    assert runtime_h(0.5, 0.5, 0.5, 1.0) == pytest.approx(1.0)
    assert runtime_h(100, 20, 0.0, 1.1) == inf
    assert runtime_h(100, 20, 0.5, 1.0) == pytest.approx(200.0)
