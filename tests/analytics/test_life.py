"""Ageing's parts one by one: a leg's capacity as worked by hand, where legs begin and end, a swap, and slow means."""

from math import exp, sqrt

import pytest

from analytics import estimate
from analytics.ageing.capacity import leg_weighed, measured, so_far, table_part, trusted
from analytics.ageing.life import _cycled, _filled, _recharged, _resisting
from analytics.ageing.memory import Leg, Life, Pace, Swap
from analytics.ageing.rainflow import counted
from analytics.ageing.swap import watched
from analytics.battery import Battery, Sensor
from analytics.charging import ChargingMemory, Session
from analytics.reading import Reading
from analytics.use import UseMemory
from analytics.view import View
from tests.analytics.lives import agm, rest_v, view

HOUR, DAY = 3_600_000, 86_400_000
AGM = agm(sensor=Sensor(current_offset_a=0.05, current_gain_pct=1.0))
OWN = agm(sensor=Sensor(current_offset_a=0.05, current_gain_pct=1.0), rest_voltage_table=((0.0, 11.6), (50.0, 12.25), (100.0, 12.9)))
LITHIUM = Battery("heron", "lifepo4", 100.0, cells=4, sensor=Sensor(current_offset_a=0.05, current_gain_pct=1.0))
LEAK_A = AGM.kind.self_discharge_pct_per_month.value / 720


def leg(hours: float, pct: float, into: float = 0.0, out: float = 0.0, sd: float = 1.0, *, full: bool = False) -> Leg:
    return Leg(int(hours * HOUR), pct, into, out, sd, full)


def life(**known: object) -> Life:
    return Life(0, 0, **known)  # type: ignore[arg-type]


def test_a_leg_tells_the_capacity_as_worked_by_hand() -> None:
    """From 90 to 40 % in ten hours with 40 Ah out: 40 Ah and ten hours of self-discharge are half of it; its doubt adds up from both sides."""
    found = leg_weighed(view(AGM), life(), leg(0, 90), leg(10, 40, 0, 40))
    net = 40 + 10 * LEAK_A
    assert found is not None
    assert found.capacity_ah == pytest.approx(net / 0.5, abs=0.06)
    counted = (0.01 * net) ** 2 + (0.7 * 0.05 * 10) ** 2 + (0.5 * LEAK_A * 10) ** 2
    assert found.capacity_var == pytest.approx((counted + (net / 0.5) ** 2 * 2e-4) / 0.25, rel=0.01)
    sparse = view(AGM)
    sparse.use = UseMemory(interval_ms=HOUR / 2)
    rare = leg_weighed(sparse, life(), leg(0, 90), leg(10, 40, 0, 40))
    assert rare is not None
    assert rare.capacity_var == pytest.approx(found.capacity_var + (0.1 * 0.5 * 40) ** 2 / 0.25, rel=0.01)


@pytest.mark.parametrize(("hours", "part"), [(0.5, 0.5), (1.0, 1.0), (2.0, 1.0), (24.0, 1.0)])
def test_rare_readings_doubt_what_flowed_by_a_third_at_most(hours: float, part: float) -> None:
    """With a reading an hour three tenths of a charge and one of a discharge may be missed or counted twice; with a rarer one no more."""
    often, rare = view(AGM), view(AGM)
    rare.use = UseMemory(interval_ms=hours * HOUR)
    for end, doubt_ah in ((leg(10, 90, 50, 0), 0.3 * part * 50), (leg(10, 10, 0, 30), 0.1 * part * 30)):
        sure, unsure = leg_weighed(often, life(), leg(0, 40), end), leg_weighed(rare, life(), leg(0, 40), end)
        assert sure is not None
        assert unsure is not None
        rose = (end.pct - 40) / 100
        assert unsure.capacity_var - sure.capacity_var == pytest.approx((doubt_ah / rose) ** 2, abs=0.02)


def test_what_goes_in_loses_its_gas() -> None:
    """50 Ah in for 50 points: 2 % of it makes gas, 5 % in a charge to the very end, half a per cent in lithium."""
    known = []
    for battery, end in ((AGM, leg(0.001, 90, 50)), (AGM, leg(0.001, 90, 50, full=True)), (LITHIUM, leg(0.001, 90, 50))):
        found = leg_weighed(view(battery), life(), leg(0, 40), end)
        assert found is not None
        known.append(found.capacity_ah)
    assert known == pytest.approx([98.0, 95.0, 99.5], abs=0.06)


def test_a_leg_that_says_too_little_is_left_alone() -> None:
    """Shorter than 15 points, or than three times its doubt, or a capacity of less than a tenth or more than four times the rated: nothing."""
    assert leg_weighed(view(AGM), life(), leg(0, 90), leg(5, 75.1, 0, 15)) is None
    assert leg_weighed(view(AGM), life(), leg(0, 90), leg(5, 74.9, 0, 15)) is not None
    assert leg_weighed(view(AGM), life(), leg(0, 90, sd=4), leg(5, 72, 0, 18, sd=5)) is None
    assert leg_weighed(view(AGM), life(), leg(0, 90, sd=4), leg(5, 72, 0, 18, sd=4)) is not None
    assert leg_weighed(view(AGM), life(), leg(0, 90), leg(1, 40, 0, 4.5)) is None
    assert leg_weighed(view(AGM), life(), leg(0, 90), leg(1, 40, 0, 205)) is None
    assert leg_weighed(view(AGM), life(), leg(0, 90), leg(1, 40, 40, 0)) is None
    from_full = leg_weighed(view(AGM), life(), leg(0, 100, full=True), leg(5, 60, 0, 40))
    between = leg_weighed(view(AGM), life(), leg(0, 100), leg(5, 60, 0, 40))
    assert from_full is not None
    assert between is not None
    assert from_full.capacity_var > 4 * between.capacity_var
    assert (table_part(AGM), table_part(OWN)) == (0.15, 0.04)


def test_legs_join_by_what_each_is_worth() -> None:
    """A second leg like the first halves the variance and moves nothing; one of 80 % moves a first of 100 part of the way; months widen it."""
    seen = view(AGM)
    first = leg_weighed(seen, life(), leg(0, 90), leg(10, 40, 0, 50))
    assert first is not None
    assert first.capacity_ah is not None
    twice = leg_weighed(seen, first, leg(0, 90), leg(10, 40, 0, 50))
    assert twice is not None
    assert twice.capacity_ah == pytest.approx(first.capacity_ah, abs=0.2)
    assert twice.capacity_var == pytest.approx(first.capacity_var / 2, rel=0.05)
    less = leg_weighed(seen, first, leg(0, 90), leg(10, 40, 0, 40))
    assert less is not None
    assert less.capacity_ah is not None
    assert 85 < less.capacity_ah < 95
    sure = life(capacity_ah=100.0, capacity_var=0.01)
    held = leg_weighed(seen, sure, leg(0, 90), leg(10, 40, 0, 40))
    assert held is not None
    assert held.capacity_ah == pytest.approx(100.0, abs=0.3)
    late = leg_weighed(seen, sure, leg(0, 90), leg(2400, 40, 0, 40))
    assert late is not None
    assert late.capacity_var > 1.0


def test_where_legs_begin_and_end() -> None:
    """A leg grows to its furthest point; eight points back from there it is weighed and the next begins; so it is after ten days."""
    seen, start, far = view(AGM), leg(0, 90), leg(10, 40, 0, 50)
    one = measured(seen, life(), start)
    assert (one.leg, one.far) == (start, None)
    assert measured(seen, one, None) == one
    two = measured(seen, one, far)
    assert (two.leg, two.far, two.capacity_ah) == (start, far, None)
    breath = measured(seen, two, leg(11, 47.9, 8, 50))
    assert (breath.far, breath.capacity_ah) == (far, None)
    back = leg(11, 48.0, 8, 50)
    over = measured(seen, two, back)
    assert (over.leg, over.far) == (far, back)
    assert over.capacity_ah == pytest.approx(2 * (50 + 10 * LEAK_A), abs=0.1)
    further = measured(seen, two, leg(12, 39, 0, 51))
    assert further.far == leg(12, 39, 0, 51)
    assert measured(seen, two, leg(12, 40.9, 0, 51)).far == leg(12, 40.9, 0, 51)
    assert measured(seen, two, leg(12, 41.1, 0, 51)).far == far
    long = measured(seen, two, leg(240, 39, 0, 51))
    assert long.leg == leg(240, 39, 0, 51)
    assert so_far(seen, two).capacity_ah == over.capacity_ah
    assert so_far(seen, one) == one
    still = measured(seen, measured(seen, one, leg(5, 88, 0, 2)), leg(6, 86.1, 0, 4))
    assert still.leg == leg(6, 86.1, 0, 4)
    worse = measured(seen, measured(seen, one, leg(5, 90, 0, 2, 1.3)), leg(6, 89, 0, 4, 1.3))
    assert worse.leg == start


def test_the_first_sure_capacity_is_what_it_held_when_new() -> None:
    """Known to a tenth it is kept as the first; wider it is not yet; a later one does not change it."""
    seen = view(AGM)
    known = measured(seen, life(leg=leg(0, 90, sd=0.5), far=leg(10, 40, 0, 50, 0.5)), leg(11, 60, 20, 50))
    assert known.capacity_new_ah == known.capacity_ah
    wide = measured(seen, life(leg=leg(0, 90, sd=4), far=leg(10, 40, 0, 50, 4)), leg(11, 60, 20, 50))
    assert wide.capacity_ah is not None
    assert wide.capacity_new_ah is None
    later = measured(
        seen, life(leg=leg(0, 90), far=leg(10, 40, 0, 40), capacity_ah=99.0, capacity_var=9.0, capacity_new_ah=99.0), leg(11, 60, 20, 50)
    )
    assert later.capacity_new_ah == 99.0


def test_idle_weeks_tell_the_self_discharge() -> None:
    """Three points in ten days with nothing drawn are nine a month; eight days, or more than a tenth drawn, tell nothing."""
    seen = view(AGM)

    def idle(days: float, out: float, fell: float = 3.0, old: float | None = None) -> float | None:
        begun = life(leg=leg(0, 90), far=leg(24 * days, 90 - fell, 0, out), self_discharge=old)
        return measured(seen, begun, leg(24 * 11, 95)).self_discharge

    assert idle(10, 0.0) == pytest.approx(9.0)
    assert idle(10, 1.0) == pytest.approx(6.0)
    assert idle(10, 0.0, old=4.0) == pytest.approx(5.5)
    assert idle(10, 5.0) == 0.0
    assert idle(8.9, 0.0) is None
    assert idle(9, 0.0) is not None
    assert idle(10, 10.1) is None
    charged = life(leg=leg(0, 90), far=leg(240, 87, 0.021, 1.0))
    assert measured(seen, charged, leg(264, 95)).self_discharge is None
    assert measured(seen, charged._replace(far=leg(240, 87, 0.019, 1.0)), leg(264, 95)).self_discharge is not None


def test_a_step_that_no_charge_explains_is_another_battery() -> None:
    """90 % after 60 % with nothing counted: another, once it has stood for two hours; with the charge counted, or in lithium, none."""
    seen, begun = view(AGM), life(last=leg(0, 60), capacity_ah=80.0, resistance_ohm=0.01)
    stepped = watched(seen, begun, leg(1, 90))
    assert stepped.swap == Swap(0, HOUR, 60, 90, 0.0)
    assert stepped.last == leg(1, 90)
    soon = watched(seen, stepped, leg(2.9, 90))
    assert soon.swap == stepped.swap
    sure = watched(seen, soon, leg(3, 90))
    assert sure.swap is not None
    assert sure.swap.confirmed
    assert (sure.leg, sure.capacity_ah, sure.resistance_ohm, sure.begun_ms) == (leg(3, 90), None, None, 3 * HOUR)
    assert watched(seen, stepped, leg(3, 77.9)).swap is None
    assert watched(seen, stepped, leg(3, 78.1)).swap is not None
    assert watched(seen, begun, leg(1, 90, 30)).swap is None
    assert watched(seen, begun, leg(36, 90)).swap is not None
    assert watched(seen, begun, leg(36.1, 90)).swap is None
    assert watched(seen, begun, leg(1, 72.2)).swap is not None
    assert watched(seen, begun, leg(1, 72.0)).swap is None
    assert watched(seen, begun, leg(1, 80, sd=4)).swap is None
    assert watched(seen, begun, leg(1, 90, full=True)) == begun._replace(last=None)
    assert watched(view(LITHIUM), begun, leg(1, 90)) == begun
    assert watched(seen, begun, None) == begun
    silent = begun._replace(silent_h=10.0, slow_a=-1.0)
    assert watched(seen, silent, leg(12, 98)).swap is None
    assert watched(seen, begun, leg(12, 98)).swap is not None


def calm(volts: float, amps: float | None = 0.0, battery: Battery = AGM, **charging: object) -> View:
    """A battery that has been heard for a while and now shows this."""
    seen = view(battery)
    belief = estimate.fresh(seen.model)
    for k in range(30):
        belief = estimate.advance(seen.model, belief, Reading("heron", seen.now_ms - (30 - k) * 60_000, volts, amps, 25.0))
    assert seen.span is not None
    seen.belief = belief
    seen.charging = ChargingMemory(**{"slow_a": amps, **charging})  # type: ignore[arg-type]
    seen.span = seen.span._replace(voltage_v=volts, current_a=amps, temperature_c=25.0)
    return seen


def test_where_the_battery_stands_is_read_at_rest_only() -> None:
    """Under 2 A of 100 Ah, hours after a charge; not under more, not above what rest can be, not without a current."""
    at = trusted(calm(rest_v(AGM, 70)), 3.0, 4.0, 0.0)
    assert at is not None
    assert (at.pct, at.in_ah, at.out_ah, at.full) == (pytest.approx(70, abs=0.2), 3.0, 4.0, False)
    per_v = 10 / (rest_v(AGM, 75) - rest_v(AGM, 65))
    assert at.sd_pct == pytest.approx(sqrt(0.25 + (6 * 0.0012 * per_v) ** 2), abs=0.05)
    assert trusted(calm(12.5, -2.1), 0, 0, 0.0) is None
    assert trusted(calm(12.5, -1.9), 0, 0, 0.0) is not None
    assert trusted(calm(12.5, 0.0, slow_a=-2.1), 0, 0, 0.0) is None
    assert trusted(calm(12.5), 0, 0, -4.1) is None
    assert trusted(calm(12.5), 0, 0, -3.9) is not None
    assert trusted(calm(13.5), 0, 0, 0.0) is None
    assert trusted(calm(12.5, None), 0, 0, 0.0) is None
    now_ms = view().now_ms
    session = Session(now_ms - 9 * HOUR, now_ms - 2 * HOUR)
    fresh = trusted(calm(12.5, session=session), 0, 0, 0.0)
    assert fresh is not None
    assert fresh.sd_pct > at.sd_pct
    assert trusted(calm(12.5, session=session._replace(end_ms=now_ms - 2 * HOUR + 60_000)), 0, 0, 0.0) is None


def test_a_full_charge_is_known_by_its_current() -> None:
    """At the tail two hours of its current are still missing, give or take half; five points at most; lithium is half a point short."""
    done = Session(0, view().now_ms, tail_a=0.8, tail_ms=2 * HOUR)
    full = trusted(calm(14.4, 0.8, phase="absorption", session=done), 3.0, 4.0, 0.0)
    assert full is not None
    assert (full.pct, full.full, full.sd_pct) == (98.4, True, pytest.approx(1.8))
    most = trusted(calm(14.4, 0.8, phase="absorption", session=done, slow_a=9.0), 0, 0, 0.0)
    assert most is not None
    assert most.pct == 95.0
    lithium = trusted(calm(14.4, 0.8, LITHIUM, phase="absorption", session=done), 0, 0, 0.0)
    assert lithium is not None
    assert lithium.pct == 99.5
    assert trusted(calm(14.4, 0.8, phase="bulk", session=done), 0, 0, 0.0) is None


def test_cycles_are_counted_by_their_depth() -> None:
    """From 90 to 40 % and back ten times: half cycles of five tens, and damage as many times as deep ones; two points are breath."""
    seen, grown = view(AGM), life()
    for _ in range(10):
        for pct in (90.0, 40.0):
            grown = grown._replace(**_cycled(seen, grown, pct))
    still_open = counted(grown.reversals)
    assert grown.half_cycles[5] + 2 * sum(count for _, count in still_open) == pytest.approx(19, abs=2)
    assert sum(grown.half_cycles) == grown.half_cycles[5]
    assert 0 < grown.damage < 0.1
    breath = life()
    for _ in range(10):
        for pct in (90.0, 88.5):
            breath = breath._replace(**_cycled(seen, breath, pct))
    assert sum(breath.half_cycles) == 0


def test_the_charge_factor_is_told_from_full_to_full() -> None:
    """55 Ah in after 50 Ah out is 1.10; the next of 1.20 moves it by three tenths; less than a tenth of the capacity drawn tells nothing."""
    session = Session(5, 10, charge_ah=55.0)
    seen = calm(12.8, session=session, full_ms=9)
    first = _filled(seen, life(full=(1, 0.0, 0.0)), 55.0, 50.0)
    assert first.charge_factor == 1.1
    assert first.full == (5, 55.0, 50.0)
    assert _filled(seen, first, 70.0, 60.0) == first
    assert _filled(seen, life(full=(1, 0.0, 0.0), charge_factor=1.1), 60.0, 50.0).charge_factor == 1.13
    assert _filled(seen, life(full=(1, 0.0, 0.0)), 12.0, 9.9).charge_factor is None
    assert _filled(seen, life(full=(1, 0.0, 0.0)), 12.0, 10.0).charge_factor == 1.2
    assert _filled(calm(12.8, session=session, full_ms=4), life(), 55.0, 50.0) == life()


def test_the_resistance_is_referred_to_25_degrees() -> None:
    """Ten kelvin of cold raise it by 12 %; it follows slowly, and what it was in the first week is kept."""
    seen = calm(12.6)
    assert seen.belief.habit is not None
    assert seen.span is not None
    seen.belief = seen.belief._replace(habit=seen.belief.habit._replace(resistance=0.02, resistance_var=1e-7))
    seen.span = seen.span._replace(temperature_c=15.0)
    shown = estimate.resistance_ohm(seen.model, seen.belief)
    begun_ms = seen.span.end_ms
    young = _resisting(seen, Life(begun_ms, begun_ms))
    assert young.resistance_ohm == young.resistance_new_ohm == pytest.approx(shown * exp(-0.12), abs=1e-6)
    old = Life(begun_ms, begun_ms - 7 * DAY, resistance_ohm=0.03, resistance_new_ohm=0.012)
    later = _resisting(seen, old)
    assert later.resistance_ohm == pytest.approx(0.03 + 0.02 * (shown * exp(-0.12) - 0.03), abs=1e-6)
    assert later.resistance_new_ohm == 0.012
    assert _resisting(seen, old._replace(begun_ms=begun_ms - 7 * DAY + 1)).resistance_new_ohm == later.resistance_ohm
    seen.belief = seen.belief._replace(habit=seen.belief.habit._replace(resistance=0.02, resistance_var=4.1e-6))
    assert _resisting(seen, old) == old


def test_the_pace_of_the_first_charges_is_kept() -> None:
    """Eight charges make the first pace, what comes later a slow mean; only charges of a tenth of the capacity count."""
    grown, ends_ms = life(), 0
    for n in range(10):
        ends_ms += 3 * DAY
        session = Session(ends_ms - DAY, ends_ms, over=True, charge_ah=20.0)
        grown = _recharged(calm(12.6, session=session), grown, 20.0 * n)
    assert grown.new == Pace(8, 2.0, 20.0)
    assert grown.now == Pace(1, 2.0, 20.0)
    later = _recharged(calm(12.6, session=Session(ends_ms + 4 * DAY, ends_ms + 5 * DAY, over=True, charge_ah=20.0)), grown, 220.0)
    assert later.now == Pace(2, 3.0, 30.0)
    small = Session(ends_ms + 4 * DAY, ends_ms + 5 * DAY, over=True, charge_ah=9.9)
    assert _recharged(calm(12.6, session=small), grown, 220.0) == grown
    running = Session(ends_ms + 4 * DAY, ends_ms + 5 * DAY, charge_ah=20.0)
    assert _recharged(calm(12.6, session=running), grown, 220.0) == grown
