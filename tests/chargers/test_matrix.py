"""A cut through the matrix of `make chargers`, small enough for every change: each behaviour, each chemistry, warm and cold."""

import pytest

from simulators.charger import CHARGERS
from tests.chargers.expectation import expectation
from tests.chargers.kinds import judged, kind_said
from tests.chargers.sessions import Case, flagged, simulate, watched
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
    """A harmful charge is flagged in its first session for the right reason, a right one is left alone; by voltage alone nothing is accused wrongly.

    The kind of charger is told rightly or said to be unknown.
    """
    run = simulate(case)
    wanted = expectation(run)
    said, state = watched(run)
    assert verdict(case, wanted, said).outcome in ("flagged", "left alone", "either way")
    assert judged(case.behaviour, kind_said(state)) != "wrong kind"
    assert verdict(case, wanted, flagged(run, voltage_only=True), voltage_only=True).outcome not in ("false alarm", "wrong reason")


@pytest.mark.parametrize(
    ("behaviour", "kind"),
    [("mains right", "mains charger"), ("fixed supply", "fixed-voltage supply"), ("solar", "solar"), ("alternator", "alternator"),
     ("smart alternator", "smart alternator"), ("dc-dc", "DC-DC charger"), ("short hook-up", "cannot tell")],
)  # fmt: skip
def test_kinds_of_charger_are_told_apart(behaviour: str, kind: str) -> None:
    """On a flooded battery at 25 °C each kind of source shows in its shape; three hours on the mains once a day do not."""
    assert kind_said(watched(simulate(Case("flooded", behaviour, 25.0)))[1]).startswith(kind)
