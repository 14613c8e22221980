"""The books of alerts: what was told, step by step, against what a run that nothing disturbed would have told."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Sequence

from analytics.assessment import AlertEvent
from ingest.reconcile import GOES_ON_MS, REASON

Steps = Counter[tuple[str, str, int]]
"""(alert, kind, when): the steps of alerts."""


def steps_of(events: Iterable[AlertEvent]) -> Steps:
    return Counter((event.alert_id, event.kind, event.at_ms) for event in events)


def wrong_in(expected: Steps, told: Sequence[AlertEvent], last_ms: int, *, late: bool = False) -> list[str]:
    """What is wrong in what was told (in this order) after the last reading (`last_ms`); empty if all is well.

    Every beginning and worsening of the undisturbed run was told, once. Each alert was told to begin and to end in turn, and as going on or
    over as the undisturbed run says. Beyond that run only this may have been told, where time alone was judged before the readings came:

    - an alert that never held, if it was ended aloud because of them;
    - an end a quarter of an hour at most from the true one, which is then not told again;
    - an end that is not true, if the alert was begun again aloud because of the readings, at the soonest a quarter of an hour after it.

    `late`: readings came in after newer ones. Those newer ones may then have ended what never held, and any end may have been told long
    before or after the true one; all else must be so, too.
    """
    found = steps_of(told)
    wrong = [f"told {count} times: {step}" for step, count in found.items() if count > 1]
    wrong += [f"lost: {step}" for step in expected if step[1] != "ended" and step not in found]
    by_alert: dict[str, list[AlertEvent]] = defaultdict(list)
    for event in told:
        by_alert[event.alert_id].append(event)
    for alert_id, events in by_alert.items():
        wrong += [f"{alert_id}: {what}" for what in _out_of_turn(events)]
        truth = {kind: at_ms for of, kind, at_ms in expected if of == alert_id}
        if truth:
            wrong += [f"{alert_id}: {what}" for what in _untrue(expected, truth, events, last_ms, late=late)]
        elif events[-1].kind != "ended" or not (late or events[-1].reason == REASON):
            wrong.append(f"{alert_id}: should not be, and its last step is: {events[-1].kind} ({events[-1].reason})")
    return wrong


def _out_of_turn(events: Sequence[AlertEvent]) -> Iterator[str]:
    """Began, perhaps worsened, ended; and again only because of readings that came late."""
    over_ms: int | None = None
    for nth, event in enumerate(events):
        going = nth > 0 and events[nth - 1].kind != "ended"
        if going != (event.kind != "began"):
            yield f"{event.kind} at {event.at_ms} out of turn"
        elif event.kind == "began" and nth and (event.reason != REASON or over_ms is None or event.at_ms < over_ms + GOES_ON_MS):
            yield f"began again at {event.at_ms} ({event.reason}) after its end at {over_ms}"
        if event.kind == "ended":
            over_ms = event.at_ms


def _untrue(expected: Steps, truth: dict[str, int], events: Sequence[AlertEvent], last_ms: int, *, late: bool) -> Iterator[str]:
    """What was told of an alert of the undisturbed run and does not agree with it."""
    alert_id, end_ms, last = events[0].alert_id, truth.get("ended"), events[-1]
    for event in events:
        if event.kind == "worsened" and not late and (alert_id, event.kind, event.at_ms) not in expected:
            yield f"worsened at {event.at_ms}, which it did not"
    if last.kind != "ended":
        if end_ms is not None:
            yield f"its end at {end_ms} was not told"
    elif end_ms is None:
        if last_ms >= last.at_ms + GOES_ON_MS:
            yield f"goes on and was told as over at {last.at_ms} ({last.reason})"
    elif not late and abs(last.at_ms - end_ms) > GOES_ON_MS:
        yield f"ended at {end_ms}, and was told as over at {last.at_ms} ({last.reason})"
