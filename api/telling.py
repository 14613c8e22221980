"""Whom to tell of an alert, when, and why or why not. Pure functions with named reasons: no storage, no clock, no sending.

The promise: what was announced to somebody, its end is announced to them too; whatever was shelved, quiet or restarted since.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from analytics.battery import Battery
from api import acts
from api.people import RANK, Person, PushSettings
from api.ports import Alert
from api.quiet import next_at_ms, quiet_until_ms

HOUR_MS = 3_600_000


class Told(NamedTuple):
    """What one person has been told of one alert, as the ledger's deliveries say. Waiting counts as told: it will be sent."""

    began: bool = False
    """Its beginning was announced, or may have been (a try whose answer was lost)."""
    ended: bool = False
    last_ms: int | None = None
    """When the last message about it was made."""
    priority: str | None = None
    """The highest priority announced."""
    reminded: bool = False
    """A reminder after the acknowledgement was made; what is worse since is acknowledged, and reminded of, anew."""
    escalated: bool = False
    waiting: bool = False
    """A message about it is still on its way."""
    news_ms: int | None = None
    """When its beginning, or its rise to the priority it has, was made known: from then on there is time to acknowledge it."""


class Verdict(NamedTuple):
    """Whether to tell, as what kind of message, when it is due, and the named reason."""

    tell: bool
    reason: str
    kind: str = ""
    """began | worsened | ended | repeat | reminder | escalation"""
    due_ms: int = 0
    digest: bool = False


Demand = tuple[Person, Alert, Verdict]


def concerns(person: Person, battery: Battery | None, priority: str) -> str | None:
    """Why this person does not want to hear of it at all; None if they do."""
    if RANK[priority] < RANK[person.priority]:
        return f"priority {priority} is below {person.priority}"
    if person.fleet is not None and (battery is None or battery.fleet != person.fleet):
        return "another fleet"
    if person.sites and (battery is None or battery.site not in person.sites):
        return "another site"
    return None


def silenced(alert: Alert, now_ms: int) -> str | None:
    """Why nobody is told now; None if it may be told."""
    if acts.out_of_service(alert, now_ms):
        return "out of service"
    if acts.shelved(alert, now_ms):
        return "shelved"
    return None


def on_event(person: Person, alert: Alert, battery: Battery | None, kind: str, told: Told, now_ms: int) -> Verdict:
    """Whether this person is told that the alert began, worsened or ended."""
    if kind == "ended":
        return on_end(person, alert, told, now_ms)
    if why := concerns(person, battery, alert.priority) or silenced(alert, now_ms):
        return Verdict(False, why)
    if person.only_escalated and not told.escalated:
        return Verdict(False, "only when nobody acknowledged")
    if alert.ended_ms is not None:
        return Verdict(False, "over before it was told")
    if told.ended:
        return _timed(person, alert.priority, now_ms, Verdict(True, "its end was announced and it goes on", "began"))
    if told.began and RANK[told.priority or "low"] >= RANK[alert.priority]:
        return Verdict(False, "told already")
    if told.began:
        return _timed(person, alert.priority, now_ms, Verdict(True, "worse than what was told", "worsened"))
    return _timed(person, alert.priority, now_ms, Verdict(True, "first message", "began"))


def on_end(person: Person, alert: Alert, told: Told, now_ms: int) -> Verdict:
    """Filters, shelves and settings do not matter here: who heard the beginning hears the end."""
    if not told.began:
        return Verdict(False, "its beginning was not announced")
    if told.ended:
        return Verdict(False, "told already")
    return _timed(person, alert.priority, now_ms, Verdict(True, "its beginning was announced", "ended"))


def on_time(
    person: Person,
    alert: Alert,
    battery: Battery | None,
    told: Told,
    settings: PushSettings,
    now_ms: int,
    *,
    unsilenced: bool,
    asked_ms: int | None = None,
) -> Verdict:
    """What time alone demands of an alert that still holds: repeat, reminder, escalation, or a first message after a shelf.

    `asked_ms`: since when somebody could have acknowledged it (`asked_since_ms`); None: since it began.
    """
    if why := concerns(person, battery, alert.priority) or silenced(alert, now_ms):
        return Verdict(False, why)
    if told.waiting:
        return Verdict(False, "a message is still on its way")
    if alert.acknowledged_ms is not None:
        if told.began and not told.reminded and now_ms - alert.acknowledged_ms >= settings.remind_h * HOUR_MS:
            return _timed(person, alert.priority, now_ms, Verdict(True, "acknowledged long ago and still there", "reminder"))
        return Verdict(False, "acknowledged")
    if person.only_escalated:
        return _escalation(person, alert, told, settings, now_ms, alert.began_ms if asked_ms is None else asked_ms)
    if not told.began:
        if unsilenced:
            return _timed(person, alert.priority, now_ms, Verdict(True, "its silence is over and it is still there", "began"))
        return Verdict(False, "not announced")
    every_h = {"high": settings.repeat_high_h, "medium": settings.repeat_medium_h}.get(alert.priority)
    if every_h is None:
        return Verdict(False, "low priority is not repeated")
    if told.last_ms is not None and now_ms - told.last_ms < every_h * HOUR_MS:
        return Verdict(False, "told within the repeat interval")
    return _timed(person, alert.priority, now_ms, Verdict(True, "still there and nobody acknowledged", "repeat"))


def asked_since_ms(alert: Alert, told: Iterable[Told], unsilenced_ms: int | None) -> int:
    """Since when somebody could have acknowledged it as it is. Readings may have come days after it began, a shelf may have held it back, and
    it may have become worse since it was acknowledged: the second contact waits from when the first ones were told (`told`: what they were)."""
    known = [alert.began_ms, unsilenced_ms, *(t.news_ms for t in told)]
    return max(ms for ms in known if ms is not None)


def _escalation(person: Person, alert: Alert, told: Told, settings: PushSettings, now_ms: int, asked_ms: int) -> Verdict:
    after_h = {"high": settings.escalate_high_h, "medium": settings.escalate_medium_h}.get(alert.priority)
    if after_h is None:
        return Verdict(False, "low priority is not escalated")
    if told.escalated or told.began:
        return Verdict(False, "escalated already")
    if now_ms - asked_ms < after_h * HOUR_MS:
        return Verdict(False, "there is still time to acknowledge")
    return _timed(person, alert.priority, now_ms, Verdict(True, "nobody acknowledged in time", "escalation"))


def _timed(person: Person, priority: str, now_ms: int, verdict: Verdict) -> Verdict:
    """When: low priority with the next digest, otherwise now or when the quiet is over."""
    if priority == "low" and person.digest_at is not None:
        due_ms = next_at_ms(person.digest_at, now_ms, person.time_zone)
        return verdict._replace(due_ms=quiet_until_ms(person, due_ms, priority) or due_ms, digest=True)
    return verdict._replace(due_ms=quiet_until_ms(person, now_ms, priority) or now_ms)


def one_cause(silent: Mapping[str, Sequence[str]], known: Mapping[str | None, int], settings: PushSettings) -> set[str]:
    """Gateways that are down: enough of their batteries fell silent together, and at least half of those they carry.

    `silent`: batteries newly or still silent by gateway; `known`: how many batteries each gateway carries.
    """
    return {
        gateway
        for gateway, batteries in silent.items()
        if gateway and len(set(batteries)) >= settings.gateway_batteries and 2 * len(set(batteries)) >= known.get(gateway, 0)
    }


def by_cause(
    demanded: Iterable[Demand], silent: Sequence[Alert], through: Mapping[str, str | None], settings: PushSettings
) -> list[list[Demand]]:
    """Each demand alone, but together what one person is told of the silences of one gateway: dead, it is one cause still when it is
    repeated, reminded of or passed on. `silent`: every silence that goes on; `through`: each battery's gateway."""
    by: dict[str, list[str]] = {}
    for alert in silent:
        by.setdefault(through.get(alert.battery_id) or "", []).append(alert.battery_id)
    down, silences = one_cause(by, Counter(through.values()), settings), {alert.id for alert in silent}
    groups: dict[tuple[str, str, str], list[Demand]] = {}
    for demand in demanded:
        person, alert, verdict = demand
        gateway = through.get(alert.battery_id) if alert.id in silences else None
        groups.setdefault((person.name, verdict.kind, gateway if gateway is not None and gateway in down else alert.id), []).append(demand)
    return list(groups.values())


def wait_ms(tries: int, chance: float) -> int:
    """Before the next try: doubling from 5 s to at most 15 minutes, of which half is left to chance so that many do not come at once.

    `chance` from 0 to 1. Judgement: a phone's dead spot passes in minutes, and a service that is down is not helped by haste.
    """
    whole = min(5_000 << min(tries, 10), 900_000)
    return round(whole * (0.5 + 0.5 * chance))
