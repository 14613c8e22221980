"""One charge's outcome: what was wanted, what was said, and how that is called in the confusion table."""

from typing import NamedTuple

from tests.chargers.expectation import Expectation
from tests.chargers.sessions import Case


class Verdict(NamedTuple):
    """A cell of the confusion table before it is counted."""

    case: Case
    voltage_only: bool
    wanted: frozenset[str]
    said: tuple[str, ...]
    outcome: str
    """flagged | wrong reason | missed | cannot be seen | left alone | false alarm | either way"""
    why: str = ""
    """What published figures leave open."""


def verdict(case: Case, wanted: Expectation, said: tuple[str, ...], *, voltage_only: bool = False) -> Verdict:
    return Verdict(case, voltage_only, wanted.reasons, said, _outcome(wanted, said, voltage_only), wanted.why)


def _outcome(wanted: Expectation, said: tuple[str, ...], voltage_only: bool) -> str:
    if not wanted.reasons:
        if set(said) <= wanted.may:
            return "either way" if wanted.may else "left alone"
        return "false alarm"
    if wanted.reasons & set(said):
        return "flagged"
    if voltage_only and not wanted.by_voltage:
        return "cannot be seen"
    return "wrong reason" if said else "missed"
