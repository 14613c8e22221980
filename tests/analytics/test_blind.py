"""Where the current cannot be believed: how a shunt that shows it betrays itself, and what a charger's voltage tells in its place."""

from math import exp

import pytest

from analytics.estimate import fresh, noted
from analytics.estimate.advancing import DISTRUST, _distrusted, _switched, advance
from analytics.estimate.belief import CAPACITY, DIAGONAL, OFFSET, TAIL
from analytics.estimate.filtering import replaced
from analytics.estimate.voltage import by_voltage_alone
from analytics.reading import Note, Reading
from tests.analytics.test_corrections import known, seen
from tests.analytics.test_filter import AGM, HOUR, SEEING

STEP_A = 1.01 * AGM.step_a


@pytest.mark.parametrize(
    ("moved_v", "amps", "last_a", "counts"),
    [
        (-0.021, STEP_A, 0.0, 1), (0.021, -STEP_A, 0.0, 1), (0.021, STEP_A, 0.0, -1), (-0.021, -STEP_A, 0.0, -1),
        (-0.019, STEP_A, 0.0, 0), (-0.3, 0.98 * AGM.step_a, 0.0, 0),
        (-0.051, 1.0, 1.0, 1), (0.051, -1.0, -1.0, 1), (-0.049, 1.0, 1.0, 0), (-0.051, 0.011, 0.011, 1),
        (-0.21, 0.0, 0.0, 1), (-0.19, 0.0, 0.0, 0), (-0.19, 0.01, 0.01, 0), (-0.06, 1.0, 1.001, 0),
    ],
)  # fmt: skip
def test_a_voltage_that_moves_without_its_current_tells_against_the_shunt(moved_v: float, amps: float, last_a: float, counts: int) -> None:
    """20 mV against a step of the current, or 50 mV while the same current is shown; while none is shown only 0.2 V, for a charger that leaves
    lets a voltage fall though nothing flows."""
    assert _distrusted(AGM, 3, moved_v, amps, last_a) - 3 == counts


def test_trust_in_a_shunt_returns_no_slower_than_it_went() -> None:
    """Ten times against it are as many as count, and one that agreed has nothing to take away where none was against."""
    assert _distrusted(AGM, 2 * DISTRUST, -0.1, STEP_A, 0.0) == _distrusted(AGM, 2 * DISTRUST, -0.1, 1.0, 1.0) == 2 * DISTRUST == 10
    assert _distrusted(AGM, 0, 0.1, STEP_A, 0.0) == 0


def test_what_was_taken_for_a_current_is_no_offset_once_the_shunt_is_believed_again() -> None:
    """Either way the state begins anew at nothing: as doubtful as the sensor's maker says, or as what usually flows, 2 A of 100 Ah at least."""
    f = replaced(known(), OFFSET, -7.0, 0.5)
    for habit, variance in ((SEEING, 0.1**2), (SEEING._replace(blind=True), 2.0**2), (SEEING._replace(blind=True, spread_a2=9.0), 9.0)):
        anew = _switched(AGM, f, habit)
        assert (anew.mean[OFFSET], anew.cov[DIAGONAL[OFFSET]]) == (0.0, pytest.approx(variance))


def test_an_unseen_charge_is_as_strong_as_charger_battery_and_voltage_allow() -> None:
    """Above what rest can be 15 A of 100 Ah flow at most, no more than a nearly full battery takes, and none below its rest; give or take half."""
    blind = SEEING._replace(blind=True, resistance=0.005)
    for soc in (0.3, 0.99):
        f = known(soc)
        takes_a = (1 - soc) * 100 * f.mean[CAPACITY] / exp(f.mean[TAIL])
        charged = by_voltage_alone(AGM, f, blind, seen(14.4, 0.0))[0]
        flows_a = min(15.0, takes_a)
        assert -charged.mean[OFFSET] == pytest.approx(flows_a)
        assert charged.cov[DIAGONAL[OFFSET]] == pytest.approx((0.5 * flows_a + 0.5) ** 2)
    assert takes_a < 1.0


def test_a_surprise_is_forgotten_but_never_made_up_for() -> None:
    """With a reading every three hours the last surprise stands for all: after half a volt too little and then none, no trust beyond the usual."""
    belief = advance(AGM, fresh(AGM), Reading("b", 0, 12.6, 0.0, 25.0))
    assert belief.habit is not None
    belief = belief._replace(habit=belief.habit._replace(interval_ms=3.0 * HOUR))
    misfits = []
    for n, volts in enumerate((12.6, 12.0, 12.0, 12.0, 12.0)):
        belief = advance(AGM, belief, Reading("b", 3 * HOUR * (n + 1), volts, 0.0, 25.0))
        assert belief.habit is not None
        misfits.append(belief.habit.misfit)
    assert max(misfits) > 2
    assert min(misfits) >= 0


def test_a_measured_voltage_tells_what_was_believed_before_and_after() -> None:
    """A person who measures 12.6 V at a battery sees both charges, and the second is what is believed from then on."""
    belief = advance(AGM, fresh(AGM), Reading("b", 0, 12.7, 0.0, 25.0))
    assert belief.filter is not None
    checked = noted(AGM, belief, Note("b", HOUR, "check", 12.6))
    assert checked.soc is not None
    assert checked.anchor is not None
    assert checked.soc < belief.filter.mean[0]
    assert checked.anchor[:4] == ("check", HOUR, pytest.approx(100 * belief.filter.mean[0]), pytest.approx(100 * checked.soc))
    assert checked.filter is not None
    assert checked.filter.mean[0] == checked.soc
