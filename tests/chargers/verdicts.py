"""One charge's outcome: what was wanted, what was said, and how that is called in the confusion table."""

from typing import NamedTuple

from tests.chargers.expectation import Expectation
from tests.chargers.sessions import Case


class Verdict(NamedTuple):
    """A cell of the confusion table before it is counted."""

    case: Case
    voltage_only: bool
    wanted: frozenset[str] | None
    said: tuple[str, ...]
    outcome: str
    """flagged | wrong reason | missed | cannot be seen | left alone | false alarm | not scored"""


def verdict(case: Case, wanted: Expectation, said: tuple[str, ...], *, voltage_only: bool = False) -> Verdict:
    return Verdict(case, voltage_only, wanted.reasons, said, _outcome(wanted, said, voltage_only))


def _outcome(wanted: Expectation, said: tuple[str, ...], voltage_only: bool) -> str:
    if wanted.reasons is None:
        return "not scored"
    if not wanted.reasons:
        return "false alarm" if said else "left alone"
    if wanted.reasons & set(said):
        return "flagged"
    if voltage_only and not wanted.by_voltage:
        return "cannot be seen"
    return "wrong reason" if said else "missed"
