"""Alerts that were told and, with readings that came late, turn out never to have held: they are closed, aloud."""

from collections.abc import Mapping
from typing import Protocol

from analytics.assessment import AlertEvent, Finding
from analytics.core import State

REASON = "readings that came late show otherwise"


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


class Standing:
    """An alert that is going on in a state."""

    __slots__ = ("began_ms", "id", "priority", "rule")

    def __init__(self, battery_id: str, rule: str, began_ms: int, priority: str) -> None:
        self.id, self.rule, self.priority, self.began_ms = f"{battery_id}:{rule}:{began_ms}", rule, priority, began_ms


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


def _ended(battery_id: str, alert: Told, at_ms: int) -> AlertEvent:
    title, seen = "Over: " + alert.rule.replace("_", " "), "Closed: " + REASON + "."
    finding = Finding(alert.rule, alert.priority, title, seen, "", "Nothing to do.", "", (), "the rule that began it")
    return AlertEvent(alert.id, battery_id, alert.rule, "ended", at_ms, alert.priority, REASON, finding)
