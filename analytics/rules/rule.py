"""What a rule is, and what it may see. The table of rules stands in `analytics/rules/__init__.py`."""

from collections.abc import Callable
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
    words (which cost far more than the judging) are made only where somebody reads them. `words` must be called within the same step."""

    rule: str
    priority: str
    words: Callable[[], Finding]


def finding_of(judged: "Finding | Said") -> Finding:
    """The finding in full."""
    return judged.words() if isinstance(judged, Said) else judged


Judgement = Finding | Said | None | Literal[Held.HOLD]


class Rule(NamedTuple):
    """One rule. `judge(view, standing)` gets whether its alert stands now, to use the clearing threshold (hysteresis).

    It gives a Finding (or Said, for one that may stand long) while the condition holds, None when it does not, HOLD when it cannot tell. Delays are in data time.
    """

    name: str
    on_delay_s: float
    off_delay_s: float
    judge: Callable[[View, bool], Judgement]
    over: Callable[[View], str]
    """The sentence that says how it stands now that the alert is over."""
