"""Alerts that were told and, with readings that came late, turn out never to have held: they are closed, aloud."""

from analytics.assessment import AlertEvent, Finding
from analytics.core import State

REASON = "readings that came late show otherwise"


def overtaken(before: State, after: State, at_ms: int) -> list[AlertEvent]:
    """An `ended` event for each alert that was going on in `before` and that `after` does not know under the same id."""
    still = {(s.rule, s.began_ms) for s in after.alerts.standing if s.began_ms is not None}
    gone = [s for s in before.alerts.standing if s.began_ms is not None and (s.rule, s.began_ms) not in still]
    if not gone:
        return []
    battery_id = before.battery.id
    events = []
    for standing in gone:
        seen = "Closed: " + REASON + "."
        title = "Over: " + standing.rule.replace("_", " ")
        finding = Finding(standing.rule, standing.priority, title, seen, "", "Nothing to do.", "", (), "the rule that began it")
        alert_id = f"{battery_id}:{standing.rule}:{standing.began_ms}"
        events.append(AlertEvent(alert_id, battery_id, standing.rule, "ended", at_ms, standing.priority, REASON, finding))
    return events
