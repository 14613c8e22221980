"""A cut through the matrix of `make chargers`, small enough for every change: each behaviour, each chemistry, warm and cold."""

import pytest

from simulators.charger import CHARGERS
from tests.chargers.expectation import expectation
from tests.chargers.sessions import Case, flagged, simulate
from tests.chargers.verdicts import verdict

CHEMISTRIES = ("flooded", "efb", "agm", "gel", "lifepo4")
TEMPERATURES_C = (25.0, -10.0, 40.0, 5.0)
CASES = [
    Case(CHEMISTRIES[(n + turn) % 5], behaviour, TEMPERATURES_C[(n + 2 * turn) % 4], 100 + turn)
    for n, behaviour in enumerate(CHARGERS)
    for turn in range(2)
]


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c.behaviour}, {c.chemistry}, {c.temperature_c:.0f}")
def test_a_session_gets_the_verdict_that_it_deserves(case: Case) -> None:
    """A harmful charge is flagged in its first session for the right reason, a right one is left alone; by voltage alone nothing is accused wrongly."""
    run = simulate(case)
    wanted = expectation(run)
    assert verdict(case, wanted, flagged(run)).outcome in ("flagged", "left alone", "not scored")
    assert verdict(case, wanted, flagged(run, voltage_only=True), voltage_only=True).outcome not in ("false alarm", "wrong reason")
