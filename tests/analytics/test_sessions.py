"""A charge as it grows, span by span: durations, set-points and currents with their figures, and the words that single spans are given."""

from collections.abc import Iterable

import pytest

from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.charging import ChargingMemory, Session, update
from analytics.charging.memory import Held
from analytics.charging.phases import believed_a, believed_v, gives, held_after, lifted_v, phase_of, quiet_a, top_rest_v
from analytics.charging.sessions import all_at_once, is_full, margin_v, tail_a, was_filling
from analytics.charging.window import at_25_c, capped_v, raised_v
from analytics.span import Span
from tests.analytics.lives import agm, view

MINUTE, HOUR = 60_000, 3_600_000
BEGIN_MS = 1_793_491_200_000
AGM = agm(sensor=Sensor(current_offset_a=0.05, voltage_offset_v=0.01))
LITHIUM = Battery("heron", "lifepo4", 100.0, cells=4, sensor=Sensor(current_offset_a=0.05))
Step = tuple[float, float, float | None]
"""Minutes, volts, amperes."""


def span(
    end_ms: int, volts: float, amps: float | None, *, low: float | None = None, high: float | None = None, gap_ms: int = 10_000, readings: int = 6,
    celsius: float | None = 25.0,
) -> Span:  # fmt: skip
    low_v, high_v = volts if low is None else low, volts if high is None else high
    return Span(end_ms - 50_000, end_ms, readings, volts, low_v, high_v, volts, amps, amps, amps, amps, celsius, gap_ms)


def charged(
    steps: Iterable[Step],
    battery: Battery = AGM,
    memory: ChargingMemory | None = None,
    begin_ms: int = BEGIN_MS,
    celsius: float | None = 25.0,
) -> ChargingMemory:
    """The memory after these stretches, a span a minute."""
    memory, at_ms = memory or ChargingMemory(), begin_ms
    for minutes, volts, amps in steps:
        for _ in range(int(minutes)):
            at_ms += MINUTE
            seen = view(battery, now_ms=at_ms, pct=(60.0, 55.0, 65.0))
            seen.span, seen.charging = span(at_ms, volts, amps, celsius=celsius), memory
            memory = update(seen, memory)
    return memory


def rising(minutes: int, from_v: float, to_v: float, amps: float | None) -> list[Step]:
    return [(1, from_v + (to_v - from_v) * k / minutes, amps) for k in range(1, minutes + 1)]


def falling(minutes: int, volts: float, from_a: float, to_a: float) -> list[Step]:
    return [(1, volts, from_a + (to_a - from_a) * k / minutes) for k in range(1, minutes + 1)]


BULK = rising(120, 12.9, 14.35, 15.0)
ABSORPTION = falling(150, 14.4, 15.0, 0.3)
WHOLE = [(30, 12.4, 0.0), *BULK, *ABSORPTION, (60, 14.4, 0.3), (60, 13.6, 0.2)]


def test_a_float_is_timed_at_its_own_voltage() -> None:
    """After a night's charge the sun holds 14.1 V for an hour, then a fridge breaks 13.5 V every quarter of an hour: still one hour of 14.1 V.
    Once 13.5 V has stood for half an hour, it has a time of its own."""
    noon = [*BULK, *ABSORPTION, (60, 14.1, 0.4)]
    afternoon = [(15, 13.5, 0.3), (5, 13.3, -2.0)] * 9
    session = charged([*noon, *afternoon]).session
    assert session is not None
    assert session.float_v == pytest.approx(14.1, abs=0.02)
    assert session.float_ms == pytest.approx(HOUR, abs=6 * MINUTE)
    session = charged([*noon, *afternoon, (90, 13.5, 0.3)]).session
    assert session is not None
    assert session.float_v == pytest.approx(13.5, abs=0.02)
    assert session.float_ms == pytest.approx(90 * MINUTE, abs=6 * MINUTE)


def test_a_whole_charge_is_told_with_its_figures() -> None:
    """Two hours of 15 A, two and a half of a falling current and one of a tail at 14.4 V, one of float: so it stands in the session."""
    memory = charged(WHOLE)
    session = memory.session
    assert session is not None
    assert memory.phase == "float"
    assert session.begin_ms == pytest.approx(BEGIN_MS + 31 * MINUTE, abs=2 * MINUTE)
    assert session.begin_pct == 60.0
    assert session.begin_v == pytest.approx(12.4, abs=0.1)
    assert session.bulk_ms + session.absorption_ms + session.float_ms == pytest.approx(390 * MINUTE, abs=26 * MINUTE)
    assert session.bulk_ms == pytest.approx(120 * MINUTE, rel=0.1)
    assert session.absorption_ms == pytest.approx(210 * MINUTE, rel=0.1)
    assert session.float_ms == pytest.approx(60 * MINUTE, abs=5 * MINUTE)
    assert session.charge_ah == pytest.approx(2 * 15 + 2.5 * 7.65 + 0.3 + 0.2, rel=0.02)
    assert (session.absorption_v, session.float_v) == (pytest.approx(14.4, abs=0.005), pytest.approx(13.6, abs=0.005))
    assert session.peak_a == pytest.approx(15.0, abs=0.05)
    assert session.first_a == pytest.approx(15.0, abs=1.0)
    assert session.tail_a == pytest.approx(0.3, abs=0.05)
    assert (session.float_a, session.float_least_a) == (pytest.approx(0.2, abs=0.02), pytest.approx(0.2, abs=0.02))
    assert session.tail_ms > 60 * MINUTE
    assert (session.high_ms, session.breaks, session.pulses, session.unseen_ms, session.cold_ms) == (0, 0, 0, 0, 0)
    assert not session.over
    assert memory.full_ms is not None
    assert memory.partial == 0


@pytest.mark.parametrize(("amps", "swings"), [(11.0, 4), (9.0, 0)])
def test_a_leap_of_a_tenth_of_the_capacity_is_a_swing(amps: float, swings: int) -> None:
    """A source that comes on with 11 A of 100 Ah four times after a quarter of an hour of a trickle swings four times; with 9 A never."""
    session = charged([(30, 12.4, 0.0), *rising(30, 12.9, 13.2, 6.0), *[(15, 13.1, 0.5), (15, 13.3, amps)] * 4]).session
    assert session is not None
    assert session.swings == swings


def test_an_hour_without_charge_ends_a_session() -> None:
    """Fifty idle minutes are a cloud and a break, seventy are the end; one that did not fill is counted, one that did is not."""
    begun = charged([(30, 12.4, 0.0), *rising(90, 12.9, 13.6, 10.0)])
    end_ms = BEGIN_MS + 120 * MINUTE
    cloud = charged([(50, 12.6, -1.0), *rising(30, 13.2, 13.5, 10.0)], memory=begun, begin_ms=end_ms)
    assert cloud.session is not None
    assert begun.session is not None
    assert cloud.session.begin_ms == begun.session.begin_ms
    assert cloud.session.breaks == 1
    assert cloud.session.charge_ah == pytest.approx(20.0, abs=1.0)
    over = charged([(70, 12.6, -1.0)], memory=begun, begin_ms=end_ms)
    assert over.session is not None
    assert over.session.over
    assert (over.partial, over.partial_since_ms) == (1, begun.session.begin_ms)
    assert over.drives == 1
    again = charged([*rising(90, 12.9, 13.6, 10.0), (70, 12.6, -1.0)], memory=over, begin_ms=end_ms + 70 * MINUTE)
    assert (again.partial, again.drives, again.partial_since_ms) == (2, 2, over.partial_since_ms)
    full = charged([(70, 12.8, -1.0)], memory=charged(WHOLE), begin_ms=BEGIN_MS + 420 * MINUTE)
    assert full.session is not None
    assert full.session.over
    assert (full.partial, full.drives) == (0, 0)


def test_a_charge_begins_with_a_current_that_lasts_or_a_voltage_that_is_held() -> None:
    """Two minutes of sun after an evening's load are none until the mean of minutes flows in; a full battery on a maintainer is charged by its voltage."""
    evening = [(30, 12.4, -12.0), (3, 12.6, 3.0)]
    assert charged(evening).session is None
    begun = charged([*evening, (12, 12.7, 3.0)]).session
    assert begun is not None
    assert begun.begin_ms > BEGIN_MS + 33 * MINUTE
    kept = charged([(30, 13.6, 0.05)])
    assert (kept.phase, kept.session is None) == ("float", False)


def test_an_absorption_after_a_float_has_its_own_end() -> None:
    """The hour at the tail before the float is the first absorption's: back at 14.4 V with 8 A, nothing has been at its end yet."""
    session = charged([*WHOLE, (30, 14.4, 8.0)]).session
    assert session is not None
    assert (session.tail_ms, session.spent_ms) == (0, 0)
    assert session.stretch_ms == pytest.approx(30 * MINUTE, abs=5 * MINUTE)
    assert session.absorption_ms == pytest.approx(240 * MINUTE, rel=0.1)


def test_too_high_and_too_cold_are_timed() -> None:
    """At 25 °C AGM that is held 0.2 V above its window is counted from the first minute; lithium below its limit with every ampere-hour."""
    top_v = raised_v(AGM, 6 * AGM.kind.absorption.high, 25.0)
    high = charged([(30, 12.4, 0.0), *rising(30, 12.9, top_v, 10.0), (40, top_v + 0.2, 10.0)]).session
    assert high is not None
    assert high.high_ms == pytest.approx(40 * MINUTE, abs=5 * MINUTE)
    assert high.high_v == pytest.approx(top_v + 0.2, abs=0.02)
    assert high.high_c == 25.0
    cold = charged([(30, 13.0, 0.0), *rising(60, 13.3, 13.45, 10.0)], LITHIUM, celsius=-5.0).session
    assert cold is not None
    assert cold.cold_ms == pytest.approx(60 * MINUTE, abs=5 * MINUTE)
    assert cold.cold_ah == pytest.approx(10.0, abs=0.6)
    assert (cold.coldest_c, cold.hottest_c) == (-5.0, -5.0)
    warm = charged([(30, 13.0, 0.0), *rising(60, 13.3, 13.45, 10.0)], LITHIUM, celsius=LITHIUM.kind.charge_lowest_c.value).session
    assert warm is not None
    assert warm.cold_ms == 0


def test_what_the_maker_allows_for_equalising_is_not_too_high() -> None:
    """An AGM battery at 15.2 V after absorption is timed as too high; where its maker allows 15.6 V for equalising it is not, nor what a voltmeter
    may be off above that; more is."""
    allowed = agm(sensor=AGM.sensor, charge_window=ChargeWindow(equalisation_high_v=15.6))
    high_ms = []
    for battery, volts in ((AGM, 15.2), (allowed, 15.2), (allowed, 15.62), (allowed, 15.64)):
        session = charged([(30, 12.4, 0.0), *BULK, *ABSORPTION, (30, volts, 3.0)], battery).session
        assert session is not None
        high_ms.append(session.high_ms)
    assert high_ms == [pytest.approx(30 * MINUTE, abs=3 * MINUTE), 0, 0, pytest.approx(30 * MINUTE, abs=3 * MINUTE)]


def test_a_current_that_runs_away_is_timed() -> None:
    """At a voltage that stands, 2 A that grow to 6 A are seen to rise; less of it after a step of the voltage, none once it falls again."""
    before = [(30, 12.4, 0.0), *BULK, *falling(60, 14.4, 15.0, 2.0), (30, 14.4, 2.0)]
    session = charged([*before, *falling(90, 14.4, 2.0, 6.0)]).session
    assert session is not None
    assert session.rising_from_a == pytest.approx(2.0, abs=0.2)
    assert session.rising_to_a == pytest.approx(6.0, abs=0.3)
    assert 30 * MINUTE < session.rising_ms < 80 * MINUTE
    assert session.rising_from_v == pytest.approx(14.4, abs=0.005)
    recovered = charged([*before, *falling(90, 14.4, 2.0, 6.0), *falling(20, 14.4, 6.0, 3.0)]).session
    assert recovered is not None
    assert recovered.rising_ms == 0
    lifted = charged([*before, *falling(90, 14.43, 2.0, 6.0)]).session
    assert lifted is not None
    assert lifted.rising_ms < session.rising_ms


S = Session(0, 0, charge_ah=10.0, peak_a=10.0)


@pytest.mark.parametrize(
    ("battery", "session", "full"),
    [
        (AGM, S._replace(tail_a=1.0, tail_ms=30 * MINUTE), True),
        (AGM, S._replace(tail_a=1.0, tail_ms=30 * MINUTE - 1), False),
        (LITHIUM, S._replace(tail_a=1.0, tail_ms=5 * MINUTE), True),
        (LITHIUM, S._replace(tail_a=1.0, tail_ms=5 * MINUTE - 1), False),
        (AGM, S._replace(equalisation_ms=30 * MINUTE), True),
        (AGM, S._replace(equalisation_ms=30 * MINUTE - 1), False),
        (AGM, S._replace(tail_a=2.5 * tail_a(AGM), absorption_ms=1, float_ms=30 * MINUTE), True),
        (AGM, S._replace(tail_a=2.5 * tail_a(AGM) + 0.01, absorption_ms=1, float_ms=30 * MINUTE), False),
        (AGM, S._replace(tail_a=1.0, absorption_ms=1, float_ms=30 * MINUTE - 1), False),
        (AGM, S._replace(absorption_v=14.4, absorption_ms=4 * HOUR), True),
        (AGM, S._replace(absorption_v=14.4, absorption_ms=4 * HOUR - 1), False),
        (AGM, S._replace(absorption_v=14.4, absorption_ms=HOUR, float_ms=30 * MINUTE), True),
        (AGM, S._replace(absorption_v=14.4, absorption_ms=HOUR - 1, float_ms=30 * MINUTE), False),
        (AGM, S._replace(absorption_v=14.4, absorption_ms=HOUR, float_ms=30 * MINUTE - 1), False),
        (AGM, S._replace(float_ms=12 * HOUR), True),
        (AGM, S._replace(float_ms=12 * HOUR - 1), False),
    ],
)
def test_what_counts_as_a_full_charge(battery: Battery, session: Session, full: bool) -> None:
    """A tail for half an hour (lithium five minutes), a regulated stage after it, or hours at a held voltage where no current is known."""
    assert is_full(battery, session) is full


def test_what_was_worth_a_charge() -> None:
    """Five per cent of the capacity at three per cent of it; without a current half an hour of rise from 85 % or less."""
    assert was_filling(AGM, S._replace(charge_ah=5.0, peak_a=3.0))
    assert not was_filling(AGM, S._replace(charge_ah=4.9, peak_a=3.0))
    assert not was_filling(AGM, S._replace(charge_ah=5.0, peak_a=2.9))
    blind = Session(0, 0, bulk_ms=30 * MINUTE, begin_pct=85.0)
    assert was_filling(AGM, blind)
    assert was_filling(AGM, blind._replace(begin_pct=None))
    assert not was_filling(AGM, blind._replace(begin_pct=85.1))
    assert not was_filling(AGM, blind._replace(bulk_ms=30 * MINUTE - 1))


def test_a_plug_gives_all_at_once_and_the_sun_does_not() -> None:
    """At least half of its height after minutes; of less than three times what the shunt may be off nothing is said."""
    assert all_at_once(AGM, S._replace(first_a=5.0)) is True
    assert all_at_once(AGM, S._replace(first_a=4.9)) is False
    assert all_at_once(AGM, S._replace(first_a=0.2, peak_a=0.29)) is None
    assert all_at_once(AGM, S._replace(first_a=0.2, peak_a=0.31)) is True
    assert all_at_once(AGM, S) is None


def test_limits_that_follow_from_the_sensor() -> None:
    """Twice the offset or a thousandth of the capacity are nothing; one and a half voltmeter errors and 15 mV are not beyond a limit."""
    assert (quiet_a(AGM), quiet_a(agm(sensor=Sensor(current_offset_a=0.01)))) == (0.1, 0.1)
    assert quiet_a(agm(sensor=Sensor(current_offset_a=0.2))) == 0.4
    assert margin_v(AGM) == pytest.approx(0.03)
    assert tail_a(AGM) == pytest.approx(100 * AGM.kind.tail_current_c.high + 0.05)
    assert [gives(a, 0.1, phase) for a, phase in ((-0.13, ""), (-0.11, ""), (-0.09, "discharging"), (-0.07, "discharging"))] == [
        True, False, True, False,
    ]  # fmt: skip
    assert top_rest_v(LITHIUM) == pytest.approx(13.44)
    assert top_rest_v(AGM) == pytest.approx(6 * AGM.kind.rest_voltage.rows[-1][1])
    assert top_rest_v(agm(rest_voltage_table=((0.0, 11.6), (50.0, 12.25), (100.0, 12.95)))) == 12.95
    assert lifted_v(LITHIUM) == pytest.approx(13.56)
    assert lifted_v(AGM) == pytest.approx(max(13.05, 6 * AGM.kind.rest_voltage.rows[-1][1] + 0.18))


def test_a_charging_voltage_is_referred_to_25_degrees() -> None:
    """Ten kelvin below, the window stands higher by ten times its compensation; unknown counts as 10 °C, frost as freezing point."""
    per_k = 6 * AGM.kind.compensation_v_per_k.value
    assert raised_v(AGM, 14.7, 15.0) == pytest.approx(14.7 - 10 * per_k)
    assert raised_v(AGM, 14.7, None) == pytest.approx(14.7 - 15 * per_k)
    assert capped_v(AGM, 14.7, -10.0) == pytest.approx(14.7 - 25 * per_k)
    assert at_25_c(AGM, raised_v(AGM, 14.7, 15.0), 15.0) == pytest.approx(14.7)
    assert at_25_c(AGM, 14.7, None) == 14.7


def test_single_outliers_are_not_believed() -> None:
    """Of six readings the highest and the lowest do not count; of two the one nearer to what was; one stands alone."""
    six = span(0, 12.55, 2.0, low=12.3, high=12.8)._replace(current_low_a=1.0, current_high_a=5.0)
    assert believed_v(six, None) == pytest.approx((6 * 12.55 - 25.1) / 4)
    assert believed_a(six) == pytest.approx((12 - 6) / 4)
    two = six._replace(readings=2)
    assert [believed_v(two, last) for last in (12.4, 12.7, None)] == [12.3, 12.8, 12.55]
    assert believed_a(two) == 2.0
    assert believed_v(six._replace(readings=3, voltage_v=12.5), None) == pytest.approx(12.4)
    assert believed_a(six._replace(current_a=None)) is None


def test_a_voltage_is_held_while_it_stands_within_its_band() -> None:
    """36 mV for six cells; its mean follows by three tenths for five minutes and a tenth after; its largest current is kept."""
    at = span(600_000, 14.4, 10.0)
    begun = held_after(None, 14.4, 10.0, at, 0.036)
    assert begun == Held(550_000, 14.4, 14.4, 10.0)
    soon = held_after(begun, 14.43, 12.0, span(700_000, 14.43, 12.0), 0.036)
    assert soon == Held(550_000, 14.4, pytest.approx(14.409), 12.0)
    late = held_after(begun, 14.43, 8.0, span(850_000, 14.43, 8.0), 0.036)
    assert late == Held(550_000, 14.4, pytest.approx(14.403), 10.0)
    assert held_after(begun, 14.44, 8.0, at, 0.036) == Held(550_000, 14.44, 14.44, 8.0)
    assert held_after(begun, 14.36, 8.0, at, 0.036).anchor_v == 14.36


def phase(
    battery: Battery, volts: float, amps: float | None, *, held: Held | None = None, celsius: float | None = 25.0, **known: object
) -> str:
    """The word for a span at the end of an hour, with what else is remembered."""
    memory = ChargingMemory(heard_ms=HOUR, voltage_v=volts, held=held, **known)  # type: ignore[arg-type]
    return phase_of(battery, memory, volts, amps, span(HOUR, volts, amps, celsius=celsius))


def stood(minutes: float, volts: float, peak_a: float | None = None) -> Held:
    return Held(HOUR - int(minutes * MINUTE), volts, volts, peak_a)


def test_the_words_for_currents() -> None:
    """2 A of 100 Ah are bulk, less is charging, what the shunt may be off is rest, more out of the battery is a discharge."""
    words = [phase(AGM, 12.7, amps) for amps in (2.0, 1.99, 0.11, 0.1, 0.0, -0.12, -0.121, -2.0)]
    assert words == ["bulk", "charging", "charging", "resting", "resting", "resting", "discharging", "discharging"]
    assert phase(AGM, 12.7, 5.0, pulse_score=4.0) == "pulse"
    assert phase(AGM, 12.7, 5.0, pulse_score=3.99) == "bulk"


def test_a_current_that_falls_at_a_voltage_that_stands_is_regulated() -> None:
    """After ten minutes: by 15 % and 4 A of 100 Ah, or to half, or to next to nothing; after 45 minutes near the window in any case."""
    for minutes, amps, peak_a, word in (
        (10, 20.0, 24.0, "absorption"), (9.9, 20.0, 24.0, "bulk"), (10, 20.5, 24.0, "bulk"), (10, 3.0, 6.0, "absorption"), (10, 3.1, 6.0, "bulk"),
        (10, 2.0, 2.0, "absorption"), (45, 24.0, 24.0, "absorption"), (44.9, 24.0, 24.0, "bulk"),
    ):  # fmt: skip
        assert phase(AGM, 14.4, amps, held=stood(minutes, 14.4, peak_a)) == word, (minutes, amps)
    assert phase(AGM, 14.4, 20.0, held=stood(10, 14.4, 24.0), slow_a=-0.2) == "bulk"
    known = Session(0, HOUR, absorption_v=14.4)
    assert phase(AGM, 14.4, 24.0, held=stood(2, 14.4, 24.0), session=known) == "absorption"
    assert phase(AGM, 14.4, 24.0, held=stood(1.9, 14.4, 24.0), session=known) == "bulk"
    assert phase(AGM, 14.44, 24.0, held=stood(2, 14.44, 24.0), session=known) == "bulk"


def test_set_points_have_their_names() -> None:
    """Low with a small current, or 0.18 V below an absorption: float; 0.24 V above the window, or a step above an absorption: equalisation."""
    absorbed = Session(0, HOUR, absorption_ms=10 * MINUTE, absorption_v=14.4)
    float_v, top_v = 6 * AGM.kind.float_charge.high, 6 * AGM.kind.absorption.high
    assert phase(AGM, float_v, 1.0, held=stood(10, float_v, 2.0)) == "float"
    assert phase(AGM, float_v, 1.0, held=stood(10, float_v, 2.0), session=absorbed._replace(absorption_v=float_v)) == "absorption"
    assert phase(AGM, 14.4, 1.0, held=stood(10, 14.4, 2.0), session=absorbed) == "absorption"
    assert phase(AGM, 14.21, 1.0, held=stood(10, 14.21, 2.0), session=absorbed) == "float"
    assert phase(AGM, 14.23, 1.0, held=stood(10, 14.23, 2.0), session=absorbed) == "absorption"
    assert phase(AGM, top_v + 0.25, 1.0, held=stood(10, top_v + 0.25, 2.0)) == "equalisation"
    assert phase(AGM, top_v + 0.23, 1.0, held=stood(10, top_v + 0.23, 2.0)) == "absorption"
    assert (
        phase(AGM, top_v + 0.07, 1.0, held=stood(10, top_v + 0.07, 2.0), session=absorbed._replace(absorption_v=top_v - 0.3))
        == "equalisation"
    )


def test_the_words_without_a_current() -> None:
    """What stands for 25 minutes far above rest is held; what rises is charging; what stood an hour rests; what falls is a load."""
    float_v = 6 * AGM.kind.float_charge.high
    for volts, minutes, slow_v, word in (
        (14.4, 25, 14.4, "absorption"), (14.4, 24.9, 14.4, "bulk"), (14.4, 24.9, 14.44, "resting"), (14.4, 24.9, None, "resting"),
        (float_v, 25, float_v, "float" if float_v < 14 else "absorption"), (12.7, 1, None, "unknown"), (12.7, 1, 12.54, "charging"),
        (12.7, 1, 12.56, "as before"), (12.7, 60, 12.7, "resting"), (12.7, 59, 12.72, "discharging"), (11.9, 1, 11.7, "as before"),
    ):  # fmt: skip
        expected = "unknown" if word == "as before" else word
        session = Session(0, HOUR) if volts == float_v else None
        assert phase(AGM, volts, None, held=stood(minutes, volts), slow_v=slow_v, session=session) == expected, (volts, minutes, slow_v)


def test_a_span_like_the_last_tells_nothing_new_for_five_minutes() -> None:
    """Within 24 mV it is passed over; after five minutes, or with 25 mV, it is heard; a jump of more than 0.36 V only when seen twice."""
    first = charged([(1, 12.6, 0.0)])
    assert charged([(1, 12.62, 0.0)], memory=first, begin_ms=BEGIN_MS + MINUTE) == first
    assert charged([(1, 12.62, 0.0)], memory=first, begin_ms=BEGIN_MS + 5 * MINUTE).heard_ms == BEGIN_MS + 6 * MINUTE
    assert charged([(1, 12.62, 0.0)], memory=first, begin_ms=BEGIN_MS + 4 * MINUTE - 1) == first
    assert charged([(1, 12.625, 0.0)], memory=first, begin_ms=BEGIN_MS + MINUTE).voltage_v == 12.625
    jumped = charged([(1, 13.0, 0.0)], memory=first, begin_ms=BEGIN_MS + MINUTE)
    assert (jumped.voltage_v, jumped.doubt_v) == (12.6, 13.0)
    assert charged([(1, 13.01, 0.0)], memory=jumped, begin_ms=BEGIN_MS + 2 * MINUTE).voltage_v == 13.01
    assert charged([(1, 12.95, 0.0)], memory=first, begin_ms=BEGIN_MS + MINUTE).voltage_v == 12.95
    assert charged([(1, 13.0, 6.0)], memory=first, begin_ms=BEGIN_MS + MINUTE).voltage_v == 13.0
    assert charged([(1, 13.0, 4.9)], memory=first, begin_ms=BEGIN_MS + MINUTE).doubt_v == 13.0


def test_slow_means_follow_in_their_time() -> None:
    """After four minutes half of a step of the current has come, after an hour half of one of the voltage."""
    first = charged([(1, 12.6, 0.0)])
    current = charged([(1, 12.6, 8.0)], memory=first, begin_ms=BEGIN_MS + 4 * MINUTE)
    assert current.slow_a == pytest.approx(8 * 4 / 8)
    hour = view(AGM, now_ms=BEGIN_MS + 61 * MINUTE)
    hour.span = span(BEGIN_MS + 61 * MINUTE, 12.8, 0.0)
    assert update(hour, first).slow_v == pytest.approx(12.7)
    hour.span = span(BEGIN_MS + 61 * MINUTE, 12.8, 0.0, gap_ms=1_800_001)
    assert update(hour, first).slow_v == 12.8


def test_silence_is_noticed_after_half_an_hour() -> None:
    """Then nothing that was held is known to be held; a minute less changes nothing."""
    memory = charged([(30, 12.6, 0.0)])
    seen = view(AGM, now_ms=BEGIN_MS + 60 * MINUTE)
    seen.ticked, heard_ms = True, memory.heard_ms
    assert heard_ms is not None
    seen.now_ms = heard_ms + 30 * MINUTE
    assert update(seen, memory) == memory
    seen.now_ms += 1
    assert update(seen, memory) == memory._replace(phase="unknown", held=None)


def test_a_rise_counts_once_it_is_half_as_much_again() -> None:
    """From 2 A at a held voltage: 3.6 A and more (half again, half an ampere and what the shunt may be off); from nothing, 0.6 A."""
    held = [(30, 12.4, 0.0), *BULK, *falling(60, 14.4, 15.0, 2.0), (60, 14.4, 2.0)]
    for amps, counts in ((3.5, False), (3.8, True)):
        session = charged([*held, (60, 14.4, amps)]).session
        assert session is not None
        assert (session.rising_ms > 20 * MINUTE) is counts, amps


def test_an_equalisation_that_is_allowed_is_not_too_high() -> None:
    """A flooded battery may be raised by a step after absorption, up to its limit; without absorption before, or in AGM, it is too high."""
    flooded = Battery("heron", "flooded", 100.0, sensor=Sensor(current_offset_a=0.05, voltage_offset_v=0.01))
    top_v = raised_v(flooded, 6 * flooded.kind.absorption.high, 25.0)
    raised = (40, top_v + 0.3, 3.0)
    absorbed = [(30, 12.4, 0.0), *rising(60, 12.9, top_v - 0.1, 15.0), *falling(60, top_v - 0.1, 15.0, 2.0), raised]
    at_once = [(30, 12.4, 0.0), *rising(30, 12.9, top_v, 15.0), raised]
    for steps, battery, allowed in ((absorbed, flooded, True), (at_once, flooded, False)):
        session = charged(steps, battery).session
        assert session is not None
        assert (session.high_ms < 5 * MINUTE) is allowed
