"""What is remembered of charges, in closed form and exactly at its limits: recharges, charge factor, and the stage a voltage belongs to."""

from typing import Any

import pytest

from analytics.ageing import Life
from analytics.ageing.life import _filled, _recharged
from analytics.ageing.memory import Leg, Pace, Swap
from analytics.ageing.swap import watched
from analytics.charging import ChargingMemory, Session
from analytics.charging.phases import HELD_MS, _regulated_phase
from analytics.charging.window import absorption_high_v, float_high_v
from analytics.view import View
from tests.analytics.lives import NOON_MS
from tests.analytics.test_thresholds import AGM, DAY, HOUR, with_

BEGAN_MS = NOON_MS - 10 * HOUR


def charged(full_ms: int | None = None, **figures: Any) -> View:
    """A charge of ten hours that has just ended."""
    last = Session(**{"begin_ms": BEGAN_MS, "end_ms": NOON_MS, "over": True, "charge_ah": 40.0, **figures})
    return with_(charging=ChargingMemory(session=last, full_ms=full_ms))


def test_recharges_are_counted_with_their_days_and_charge() -> None:
    """From a tenth of a day to sixty days and from a tenth of the capacity on; eight charges make the first pace, the next ones the latest."""
    life = Life(begun_ms=0, at_ms=NOON_MS)
    for days, out_ah, ah, counts in (
        (3.0, 30.0, 40.0, 1), (0.1, 30.0, 40.0, 1), (0.09, 30.0, 40.0, 0), (60.0, 30.0, 40.0, 1), (60.1, 30.0, 40.0, 0), (3.0, 10.0, 40.0, 1),
        (3.0, 9.9, 40.0, 0), (3.0, 30.0, 10.0, 1), (3.0, 30.0, 9.9, 0), (3.0, 30.0, None, 0),
    ):  # fmt: skip
        known = life._replace(charged_ms=BEGAN_MS - round(days * DAY), charged_out_ah=5.0)
        found = _recharged(charged(charge_ah=ah), known, 5.0 + out_ah)
        assert found.new == (Pace(1, round(days, 2), out_ah) if counts else Pace()), (days, out_ah, ah)
        assert (found.charged_ms == NOON_MS) is (ah is not None and ah >= 10)
    known = life._replace(charged_ms=BEGAN_MS - 3 * DAY, new=Pace(7, 2.2, 22.0))
    assert _recharged(charged(), known, 30.0).new == Pace(8, 2.3, 23.0)
    after = _recharged(charged(), known._replace(new=Pace(8, 2.2, 22.0), now=Pace(8, 2.2, 22.0)), 30.0)
    assert (after.new, after.now) == (Pace(8, 2.2, 22.0), Pace(9, 2.3, 23.0))
    assert _recharged(charged(), life, 30.0) == life._replace(charged_ms=NOON_MS, charged_out_ah=30.0)
    for same in (charged(over=False), charged(end_ms=known.charged_ms)):
        assert _recharged(same, known, 30.0) == known


def test_the_charge_factor_is_charge_in_over_charge_out_between_full_charges() -> None:
    """44 Ah in after 40 Ah out are 1.1; the next moves it by three tenths; less than a tenth of the capacity, and the same charge, count for nothing."""
    seen, life = charged(full_ms=BEGAN_MS), Life(begun_ms=0, at_ms=NOON_MS, full=(0, 100.0, 90.0))
    found = _filled(seen, life, 144.0, 130.0)
    assert (found.charge_factor, found.full) == (1.1, (BEGAN_MS, 144.0, 130.0))
    assert _filled(seen, life._replace(charge_factor=1.2), 144.0, 130.0).charge_factor == pytest.approx(1.17)
    assert _filled(seen, life, 111.0, 100.0).charge_factor == 1.1
    assert _filled(seen, life, 111.0, 99.9).charge_factor is None
    assert _filled(seen, life._replace(full=None), 144.0, 130.0).charge_factor is None
    assert _filled(seen, found, 200.0, 180.0) == found
    for other in (charged(full_ms=BEGAN_MS - 1), charged(), charged(full_ms=BEGAN_MS, charge_ah=None)):
        assert _filled(other, life, 144.0, 130.0) == life


HIGH_V, FLOAT_V = absorption_high_v(AGM), float_high_v(AGM) + 0.06


@pytest.mark.parametrize(
    ("volts", "amps", "absorbed_v", "phase"),
    [
        (HIGH_V + 0.241, 5.0, None, "equalisation"), (HIGH_V + 0.239, 5.0, None, "absorption"), (FLOAT_V - 0.001, 3.0, None, "float"),
        (FLOAT_V - 0.001, 3.01, None, "absorption"), (FLOAT_V + 0.001, 3.0, None, "absorption"), (FLOAT_V - 0.001, None, None, "absorption"),
        (14.019, 5.0, 14.2, "float"), (14.021, 5.0, 14.2, "absorption"), (HIGH_V + 0.061, 5.0, HIGH_V - 0.3, "equalisation"),
        (HIGH_V + 0.059, 5.0, HIGH_V - 0.3, "absorption"), (HIGH_V + 0.061, 5.0, HIGH_V - 0.238, "absorption"),
    ],
)  # fmt: skip
def test_a_held_voltage_belongs_to_a_stage(volts: float, amps: float | None, absorbed_v: float | None, phase: str) -> None:
    """0.24 V above the window, or 0.3 V above what was absorbed, is an equalisation; 0.18 V below it float; a low one with little current float at once."""
    session = None if absorbed_v is None else Session(BEGAN_MS, NOON_MS, absorption_v=absorbed_v, absorption_ms=HELD_MS)
    assert _regulated_phase(AGM, ChargingMemory(session=session), volts, amps, 25.0) == phase


def test_a_set_point_counts_once_it_has_stood() -> None:
    """Absorbed a moment too short, or in a charge that is over, it is none."""
    for session in (
        Session(BEGAN_MS, NOON_MS, absorption_v=14.2, absorption_ms=HELD_MS - 1),
        Session(BEGAN_MS, NOON_MS, over=True, absorption_v=14.2, absorption_ms=HELD_MS),
    ):
        assert _regulated_phase(AGM, ChargingMemory(session=session), 14.0, 5.0, 25.0) == "absorption"
    high = Session(BEGAN_MS, NOON_MS, equalisation_v=14.6, equalisation_ms=HELD_MS)
    assert _regulated_phase(AGM, ChargingMemory(session=high), 14.4, 5.0, 25.0) == "float"


def test_a_step_counts_once_it_has_stood_for_two_hours() -> None:
    """What was counted since is taken off; a recovery of two fifths of the step drops it; less than two hours leave it open."""
    seen, since = with_(), Swap(NOON_MS - 3 * HOUR, NOON_MS - 2 * HOUR, 60.0, 30.0, 0.0)
    life = Life(begun_ms=0, at_ms=NOON_MS, swap=since, capacity_ah=90.0)
    for pct, in_ah, ms, stays, confirmed in (
        (30.0, 0.0, 0, True, True), (30.0, 0.0, -1, True, False), (41.9, 0.0, 0, True, True), (42.0, 0.0, 0, False, False), (18.1, 0.0, 0, True, True),
        (50.0, 20.0, 0, True, True), (30.0, 20.0, 0, False, False),
    ):  # fmt: skip
        found = watched(seen, life, Leg(NOON_MS + ms, pct, in_ah, 0.0, 0.5))
        assert (found.swap is not None, found.swap is not None and found.swap.confirmed) == (stays, confirmed), (pct, in_ah, ms)
        assert (found.capacity_ah is None) is confirmed
