"""The story of a recording in sentences: what anchored the state of charge, what was doubted, what began and ended, what was learned.

Pure: from the outcomes in which something happened (see analytics.fold) and the last state. It draws nothing (api/picture.py does).
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime

from analytics.assessment import Anchor, Learned, Outcome
from analytics.core import State
from analytics.estimate import learned

WORTH_PCT = 1.0
"""Judgement: a rest that moved the state of charge by less is not told."""
SAID = {
    "declared": "The owner declared {after:.0f} %.",
    "full": "A full charge put it at {after:.0f} %; the count had said {before:.0f} %.",
    "rest": "At rest the voltage put it at {after:.0f} %; the count had said {before:.0f} %.",
    "gap": "Nothing was heard for a while; the first voltage after that put it at {after:.0f} %, the guess had been {before:.0f} %.",
    "check": "A voltage measured by hand put it at {after:.0f} %; before it was {before:.0f} %.",
}
LEARNED = {
    "usable_capacity_ah": ("Usable capacity", "Ah", 1.0, 0),
    "current_offset_a": ("The current sensor, when nothing flows, shows", "mA", 1000.0, 0),
    "rest_voltage_offset_v": ("Rest voltage less what the table says:", "mV", 1000.0, 0),
    "charge_acceptance_h": ("Missing charge over charging current at a held voltage", "h", 1.0, 1),
    "internal_resistance_ohm": ("Resistance", "milliohm", 1000.0, 1),
}


def at(at_ms: int) -> str:
    """`3 January 14:20`, in UTC."""
    when = datetime.fromtimestamp(at_ms / 1000, UTC)
    return f"{when.day} {when:%B %H:%M}"


def story(outcomes: Iterable[Outcome], state: State) -> Iterator[str]:
    """One sentence for each thing that happened, in the order of time; then what was learned."""
    last: Anchor | None = None
    for outcome in outcomes:
        anchor = outcome.assessment.anchor
        if anchor is not None and anchor != last and worth_telling(anchor):
            yield f"{at(anchor.at_ms)}: {anchored(anchor)}"
        last = anchor
        for event in outcome.events:
            verb = {"began": "Alert", "worsened": "Worse", "ended": "Over"}[event.kind]
            title = event.finding.title.removeprefix("Over: ")
            yield f"{at(event.at_ms)}: {verb}: {title}. {event.finding.seen}"
    for value in learned(state.model, state.belief):
        if value.name in LEARNED:
            yield told_learned(value)


def worth_telling(anchor: Anchor) -> bool:
    """Everything but a rest that changed next to nothing."""
    return anchor.kind != "rest" or anchor.before_pct is None or abs(anchor.after_pct - anchor.before_pct) >= WORTH_PCT


def anchored(anchor: Anchor) -> str:
    """What one anchor did, and how much it disagreed where that is much."""
    before = anchor.after_pct if anchor.before_pct is None else anchor.before_pct
    said = SAID.get(anchor.kind, "It was put at {after:.0f} %; before it was {before:.0f} %.")
    sentence = said.format(after=anchor.after_pct, before=max(0.0, min(100.0, before)))
    if abs(anchor.surprise) >= 2:
        sentence += f" That is {abs(anchor.surprise):.1f} times the doubt there was."
    return sentence


def told_learned(value: Learned) -> str:
    """One learned value with its interval."""
    name, unit, scale, digits = LEARNED[value.name]
    v, low, high = (f"{scale * x:.{digits}f}" for x in (value.value, value.low, value.high))
    return f"Learned: {name} {v} {unit} ({low} to {high} nine times in ten)."
