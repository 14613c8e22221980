"""The books that the torture keeps of alerts: what they allow, and that they find what is wrong."""

import pytest

from analytics.assessment import AlertEvent, Finding
from ingest.reconcile import REASON
from tests.torture.books import steps_of, wrong_in

MINUTE, DAY = 60_000, 24 * 60
FINDING = Finding("damp", "low", "Damp", "seen", "meaning", "advice", "", (), "a test")
GONE = "condition gone"
Step = tuple[str, int] | tuple[str, int, str]
"""Kind, minute and reason of a step of an alert that began in minute 10."""


def events(steps: tuple[Step, ...]) -> list[AlertEvent]:
    return [AlertEvent("van:damp:600000", "van", "damp", s[0], s[1] * MINUTE, "low", s[2] if len(s) > 2 else GONE, FINDING) for s in steps]


BEGAN = ("began", 10)
STANDS = (BEGAN,)
OVER = (BEGAN, ("ended", 100))
NEVER: tuple[Step, ...] = ()


@pytest.mark.parametrize(
    ("truth", "told"),
    [
        (NEVER, NEVER),
        (STANDS, STANDS),
        (OVER, OVER),
        ((BEGAN, ("worsened", 20)), (BEGAN, ("worsened", 20))),
        (NEVER, (BEGAN, ("ended", 10, REASON))),
        (NEVER, (BEGAN, ("worsened", 15), ("ended", 30, REASON))),
        (OVER, (BEGAN, ("ended", 86))),
        (OVER, (BEGAN, ("ended", 114))),
        (OVER, (BEGAN, ("ended", 50), ("began", 65, REASON), ("ended", 100))),
        (STANDS, (BEGAN, ("ended", 50), ("began", 65, REASON))),
        (STANDS, (BEGAN, ("ended", DAY - 10))),
    ],
)
def test_the_books_allow_what_was_true_or_was_taken_back(truth: tuple[Step, ...], told: tuple[Step, ...]) -> None:
    """Every step as in the undisturbed run, or one that a silence told too early and that readings took back aloud."""
    assert wrong_in(steps_of(events(truth)), events(told), DAY * MINUTE) == []


@pytest.mark.parametrize(
    ("truth", "told", "says"),
    [
        (STANDS, NEVER, "lost"),
        ((BEGAN, ("worsened", 20)), STANDS, "lost"),
        (OVER, STANDS, "its end at 6000000 was not told"),
        (NEVER, STANDS, "should not be"),
        (NEVER, (BEGAN, ("ended", 30)), "should not be, and its last step is: ended (condition gone)"),
        (STANDS, (BEGAN, BEGAN), "told 2 times"),
        (STANDS, (BEGAN, ("began", 60, REASON)), "began at 3600000 out of turn"),
        (OVER, (*OVER, ("ended", 110)), "ended at 6600000 out of turn"),
        (STANDS, (("ended", 9), BEGAN), "ended at 540000 out of turn"),
        (STANDS, (BEGAN, ("ended", 50)), "goes on and was told as over at 3000000 (condition gone)"),
        (STANDS, (BEGAN, ("ended", 50), ("began", 65)), "began again at 3900000 (condition gone)"),
        (STANDS, (BEGAN, ("ended", 50), ("began", 60, REASON)), "began again at 3600000"),
        (OVER, (BEGAN, ("ended", 50)), "ended at 6000000, and was told as over at 3000000"),
        (OVER, (BEGAN, ("ended", 200)), "ended at 6000000, and was told as over at 12000000"),
        (STANDS, (BEGAN, ("worsened", 20)), "worsened at 1200000, which it did not"),
    ],
)
def test_the_books_find_what_is_wrong(truth: tuple[Step, ...], told: tuple[Step, ...], says: str) -> None:
    """Lost, doubled, out of turn, over while it goes on, standing while it is over: each is named with the alert that it concerns."""
    assert any(says in wrong for wrong in wrong_in(steps_of(events(truth)), events(told), DAY * MINUTE))


def test_readings_that_come_after_newer_ones_excuse_an_end_that_was_not_theirs_and_no_more() -> None:
    """What never held may have been ended by newer readings, and any end may lie far from the true one; it is over all the same."""
    never_held = events((BEGAN, ("ended", 30)))
    assert wrong_in(steps_of(()), never_held, DAY * MINUTE, late=True) == []
    assert wrong_in(steps_of(()), never_held[:1], DAY * MINUTE, late=True) != []
    assert wrong_in(steps_of(events(OVER)), events((BEGAN, ("ended", 50))), DAY * MINUTE, late=True) == []
    assert wrong_in(steps_of(events(STANDS)), events((BEGAN, ("ended", 50))), DAY * MINUTE, late=True) != []
