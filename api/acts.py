"""What people may do with an alert (IEC 62682 / ISA-18.2): acknowledge, shelve, take out of service. Pure: values in, values out.

Active and acknowledged are two memories, which makes the four states. Shelved and out of service are separate, always
with an end and a reason, and only silence the telling: what is true (analytics) goes on. No storage, no clock.
"""

from dataclasses import replace

from api.ports import Alert, AlertAct, AlertState

LONGEST_SHELF_MS = 90 * 86_400_000
LONGEST_OUT_OF_SERVICE_MS = 400 * 86_400_000
"""Judgement: a shelf bridges a season at most, a repair or a lay-up a year and a month. Silence must never be for ever."""


class ActRefused(ValueError):  # noqa: N818 - named for what happened
    """The act cannot be: the sentence says what to do instead."""


def state_of(ended_ms: int | None, acknowledged_ms: int | None) -> AlertState:
    """The four states from the two memories."""
    if ended_ms is None:
        return "unacknowledged" if acknowledged_ms is None else "acknowledged"
    return "returned unacknowledged" if acknowledged_ms is None else "normal"


def shelved(alert: Alert, now_ms: int) -> bool:
    return alert.shelved_until_ms is not None and now_ms < alert.shelved_until_ms


def out_of_service(alert: Alert, now_ms: int) -> bool:
    return alert.out_of_service_until_ms is not None and now_ms < alert.out_of_service_until_ms


def acknowledge(alert: Alert, at_ms: int, who: str) -> tuple[Alert, AlertAct | None]:
    """Someone has seen it. Doing so again changes nothing and keeps the first name."""
    name = _named(who)
    if alert.acknowledged_ms is not None:
        return alert, None
    if at_ms < alert.began_ms:
        raise ActRefused("The alert had not begun at that time: acknowledge it with a time after its beginning.")
    changed = replace(alert, acknowledged_ms=at_ms, acknowledged_by=name, state=state_of(alert.ended_ms, at_ms))
    return changed, AlertAct(at_ms, "acknowledged", name, "")


def shelve(alert: Alert, at_ms: int, until_ms: int, who: str, reason: str) -> tuple[Alert, AlertAct]:
    """Say nothing about it until a time. A new shelf replaces the old one."""
    name, why = _silencing(alert, at_ms, until_ms, who, reason, LONGEST_SHELF_MS)
    changed = replace(alert, shelved_until_ms=until_ms, shelved_by=name, shelved_reason=why)
    return changed, AlertAct(at_ms, "shelved", name, why)


def unshelve(alert: Alert, at_ms: int, who: str) -> tuple[Alert, AlertAct | None]:
    """Talk about it again, by hand or because its time is over."""
    if alert.shelved_until_ms is None:
        return alert, None
    changed = replace(alert, shelved_until_ms=None, shelved_by=None, shelved_reason=None)
    return changed, AlertAct(at_ms, "unshelved", who, "")


def take_out_of_service(alert: Alert, at_ms: int, until_ms: int, who: str, reason: str) -> tuple[Alert, AlertAct]:
    """The battery or sensor is being worked on: its alert is not meant for anybody until a time."""
    name, why = _silencing(alert, at_ms, until_ms, who, reason, LONGEST_OUT_OF_SERVICE_MS)
    changed = replace(alert, out_of_service=True, out_of_service_until_ms=until_ms, out_of_service_by=name, out_of_service_reason=why)
    return changed, AlertAct(at_ms, "out of service", name, why)


def return_to_service(alert: Alert, at_ms: int, who: str) -> tuple[Alert, AlertAct | None]:
    if not alert.out_of_service:
        return alert, None
    changed = replace(alert, out_of_service=False, out_of_service_until_ms=None, out_of_service_by=None, out_of_service_reason=None)
    return changed, AlertAct(at_ms, "in service", who, "")


def expired(alert: Alert, now_ms: int) -> tuple[Alert, tuple[AlertAct, ...]]:
    """Shelf and out-of-service end by themselves."""
    acts: list[AlertAct] = []
    if alert.shelved_until_ms is not None and not shelved(alert, now_ms):
        alert, act = unshelve(alert, alert.shelved_until_ms, "its end was reached")
        acts += [act] if act else []
    if alert.out_of_service_until_ms is not None and not out_of_service(alert, now_ms):
        alert, act = return_to_service(alert, alert.out_of_service_until_ms, "its end was reached")
        acts += [act] if act else []
    return alert, tuple(acts)


def _named(who: str) -> str:
    name = who.strip()
    if not name:
        raise ActRefused("Say who you are: an act without a name helps nobody later.")
    return name[:100]


def _silencing(alert: Alert, at_ms: int, until_ms: int, who: str, reason: str, longest_ms: int) -> tuple[str, str]:
    name, why = _named(who), reason.strip()[:500]
    if not why:
        raise ActRefused("Give a reason: the next person needs to know why this is silent.")
    if until_ms <= at_ms:
        raise ActRefused("Give an end that lies ahead: silence always has an end.")
    if until_ms - at_ms > longest_ms:
        raise ActRefused(f"Give an end within {longest_ms // 86_400_000} days: silence must not be forgotten.")
    if alert.state == "normal":
        raise ActRefused("This alert has ended and is acknowledged: there is nothing left to silence.")
    return name, why
