"""What a rule is, and what it may see. The table of rules stands in `analytics/rules/__init__.py`."""

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Final, Literal, NamedTuple

from analytics.assessment import Finding
from analytics.view import View


class Held(Enum):
    """A rule's third answer: it cannot judge now (under load, no data), so whatever stood before stands."""

    HOLD = "hold"


HOLD: Final = Held.HOLD


class Said(NamedTuple):
    """A condition that holds, its words still unspoken. Rules are judged every five minutes and what stands may stand for weeks, so the
    words (which cost far more than the judging) are made only where somebody reads them.

    Of an alert whose rule was not due, `words` judges it first, and may find that nothing holds any more.
    """

    rule: str
    priority: str
    words: "Callable[[], Judgement]"


Judgement = Finding | Said | None | Literal[Held.HOLD]
Pace = Literal["always", "charging", "in use", "hourly"]


def finding_of(judged: Judgement) -> Finding | None:
    """The finding in full; None where nothing holds or can be told."""
    while isinstance(judged, Said):
        judged = judged.words()
    return None if judged is HOLD else judged


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: made once, read many times. `judge(view, standing)` gets whether its alert stands now, to use the clearing threshold (hysteresis).

    It gives a Finding (or Said, for one that may stand long) while the condition holds, None when it does not, HOLD when it cannot tell. Delays are in data time.
    """

    name: str
    on_delay_s: float
    off_delay_s: float
    judge: Callable[[View, bool], Judgement]
    over: Callable[[View], str]
    """The sentence that says how it stands now that the alert is over."""
    pace: Pace = "hourly"
    """When it is judged: with every judgement (what may change within minutes), while a charge runs, on a trip (for which an hour is half of the
    response time), or only when the hour turns, when something begins or ends, and on ticks and notes: most look at what changes no faster."""
