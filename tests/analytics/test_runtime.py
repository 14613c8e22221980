"""Runtime by Peukert's law against the worked rows of check values, chapter 4, and the trap of its misprint."""

from math import inf

import pytest

from analytics.budget.sizing import at_rate_ah
from analytics.runtime import runtime_h
from tests.outside import fact, facts


@pytest.mark.parametrize("row", [f.id for f in facts("PK-T-")])
def test_worked_runtimes(row: str) -> None:
    """Each worked discharge time within 0.1 % (rated-hour form, Peukert 1897)."""
    _, _, exponent, amps = row.split("-")
    assert runtime_h(100, 20, float(amps), float(exponent)) == pytest.approx(fact(row).value, rel=0.001)


@pytest.mark.parametrize("row", [f.id for f in facts("PK-AH-")])
def test_worked_charges(row: str) -> None:
    """Each worked delivered charge within 0.1 %: current times runtime, and what the budget takes the capacity for in that time."""
    _, _, exponent, amps = row.split("-")
    hours = runtime_h(100, 20, float(amps), float(exponent))
    assert float(amps) * hours == pytest.approx(fact(row).value, rel=0.001)
    assert at_rate_ah(100, 20, hours, float(exponent)) == pytest.approx(fact(row).value, rel=0.001)


@pytest.mark.parametrize("exponent", [1.0, 1.05, 1.2, 1.35])
def test_the_rated_current_gives_the_rated_hours(exponent: float) -> None:
    """At 5 A a battery of 100 Ah at the 20 h rate lasts 20 h whatever its exponent; the misprint's 14.496 h (PK-TRAP) never comes out."""
    hours = runtime_h(100, 20, 5, exponent)
    assert hours == pytest.approx(20)
    assert abs(hours - fact("PK-TRAP").value) > 5


def test_an_exponent_of_one_is_a_plain_quotient() -> None:
    """Without the effect, charge over current."""
    assert runtime_h(100, 20, 25, 1.0) == pytest.approx(4.0)


def test_two_ratings_and_an_equivalent_current() -> None:
    """With the exponent of two ratings (PK-N-2RATE) 80 Ah in 5 h are 100 Ah in 20 h; 25 A weigh like 34.49 A at the 20 h rate (PK-EQ-25A)."""
    exponent = fact("PK-N-2RATE").value
    assert at_rate_ah(80, 5, 20, exponent) == pytest.approx(100, rel=0.0005)
    assert runtime_h(100, 20, 80 / 5, exponent) == pytest.approx(5, rel=0.0005)
    assert 100 / runtime_h(100, 20, 25, 1.2) == pytest.approx(fact("PK-EQ-25A").value, rel=0.001)


def test_no_current_lasts_for_ever_and_nonsense_is_refused() -> None:
    """Zero amperes never empty it; a charging current or an exponent below one is a mistake."""
    assert runtime_h(100, 20, 0, 1.2) == inf
    for wrong in ((0, 20, 5, 1.2), (100, 20, -5, 1.2), (100, 20, 5, 0.9)):
        with pytest.raises(ValueError, match="expected capacity"):
            runtime_h(*wrong)
