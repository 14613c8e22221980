"""The story of a recording: plain sentences in the order of time, nothing told twice."""

from analytics import core
from analytics.assessment import Anchor, Outcome
from analytics.story import anchored, story, worth_telling
from tests.score.scoring import reading
from tests.score.traces import trace


def test_a_deep_discharge_and_its_recovery_are_told_in_order() -> None:
    """The recorded discharge to empty and the charge after it: the declaration, the alert, its end, the full charge, what was learned."""
    t = trace("d_deep")
    state, happened, last = core.begin(t.battery()), [], None
    for row in t.rows()[:4500]:
        state, outcome = core.step(state, reading(row))
        if outcome.events or outcome.assessment.anchor is not last:
            happened.append(outcome)
        last = outcome.assessment.anchor
    told = list(story(happened, state))
    said = "\n".join(told)
    assert told[0].endswith("The owner declared 90 %.")
    assert said.index("Alert: Deeply discharged") < said.index("Over: deep discharge") < said.index("A full charge put it at")
    assert "At rest the voltage put it at" not in said  # it agreed with the count, which is no news
    assert "Learned: Usable capacity" in said
    assert len(told) == len(set(told))


def test_a_small_rest_correction_is_not_told() -> None:
    """A rest that moved the state of charge by less than a point is no news; one that moved it by five is, with its surprise."""
    assert not worth_telling(Anchor("rest", 0, 70.0, 70.4, 0.1))
    loud = Anchor("rest", 0, 70.0, 75.0, 3.2)
    assert worth_telling(loud)
    assert anchored(loud) == "At rest the voltage put it at 75 %; the count had said 70 %. That is 3.2 times the doubt there was."


def test_no_happening_no_story() -> None:
    """Without outcomes and readings there is nothing to tell."""
    nothing: list[Outcome] = []
    assert list(story(nothing, core.begin(trace("a_weekend").battery()))) == []
