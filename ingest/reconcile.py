"""What was told of an alert and turns out otherwise with readings that came late is taken back, aloud.

An alert that never held is closed; one that was told to be over and goes on is told again, under the same id.
"""

from collections.abc import Mapping
from typing import Protocol

from analytics.assessment import AlertEvent, Finding
from analytics.core import State
from analytics.fold import FIRST_TICK_MS
from analytics.rules import finding_of

REASON = "readings that came late show otherwise"
GOES_ON_MS = FIRST_TICK_MS
"""An alert goes on if it still stands so long after the end that was told. Judgement: calm readings are judged a quarter of an hour late at
most, and an end found so much later is the one that was told."""


class Told(Protocol):
    """An alert that somebody may have heard of: from the ledger, or from a state that is given up."""

    @property
    def id(self) -> str: ...

    @property
    def rule(self) -> str: ...

    @property
    def priority(self) -> str: ...

    @property
    def began_ms(self) -> int: ...

    @property
    def ended_ms(self) -> int | None: ...


class Standing:
    """An alert that is going on in a state."""

    __slots__ = ("began_ms", "ended_ms", "id", "priority", "rule")

    def __init__(self, battery_id: str, rule: str, began_ms: int, priority: str, ended_ms: int | None = None) -> None:
        self.id, self.rule, self.priority, self.began_ms = f"{battery_id}:{rule}:{began_ms}", rule, priority, began_ms
        self.ended_ms = ended_ms


def standing(state: State) -> dict[str, Told]:
    """The alerts that are going on, by id."""
    battery_id = state.battery.id
    found = [Standing(battery_id, s.rule, s.began_ms, s.priority) for s in state.alerts.standing if s.began_ms is not None]
    return {alert.id: alert for alert in found}


def overtaken(told: Mapping[str, Told], after: State, at_ms: int) -> list[AlertEvent]:
    """An `ended` event for each alert that was told and that `after`, folded up to `at_ms`, does not know under the same id.

    Only alerts that began by then are decided: one that began later may still begin in the same way.
    """
    still = standing(after) if told else {}
    return [_ended(after.battery.id, alert, at_ms) for alert_id, alert in told.items() if alert_id not in still and alert.began_ms <= at_ms]


def going_on(ended: Mapping[str, int], after: State, at_ms: int) -> list[AlertEvent]:
    """A `began` event for each alert whose end was told (`ended`: its id and when) and that `after`, folded up to `at_ms`, still knows.

    Only those are decided of which the fold has come `GOES_ON_MS` beyond the end.
    """
    still = standing(after) if ended else {}
    return [
        AlertEvent(alert_id, after.battery.id, alert.rule, "began", at_ms, alert.priority, REASON, _seen_again(alert, after))
        for alert_id, alert in still.items()
        if alert_id in ended and at_ms >= ended[alert_id] + GOES_ON_MS
    ]


def _seen_again(going: Told, after: State) -> Finding:
    """What holds now, with a word on why it is told again."""
    said = "It was told as over while no readings came; those that came late show that it goes on."
    for held in after.told.findings:
        if held.rule == going.rule and (finding := finding_of(held)) is not None:
            return finding._replace(seen=f"{said} {finding.seen}")
    title, advice = "Not over: " + going.rule.replace("_", " "), "Do what was advised when it began."
    return Finding(going.rule, going.priority, title, said, "", advice, "", (), "the rule that began it")


def _ended(battery_id: str, alert: Told, at_ms: int) -> AlertEvent:
    title, seen = "Over: " + alert.rule.replace("_", " "), "Closed: " + REASON + "."
    finding = Finding(alert.rule, alert.priority, title, seen, "", "Nothing to do.", "", (), "the rule that began it")
    return AlertEvent(alert.id, battery_id, alert.rule, "ended", at_ms, alert.priority, REASON, finding)
