"""From events to deliveries: asks api.telling for each person and keeps the answer in one transaction. Sends nothing.

Silences and backlogs are held back for a moment so that their like can join them: one message for one cause.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

from sqlalchemy import Connection

from analytics.assessment import AlertEvent, Assessment, Finding
from analytics.battery import Battery
from api import ledger_alerts, ledger_deliveries, messages, telling
from api.ledger import SqlLedger
from api.people import RANK, Person, PushSettings
from api.ports import Alert, Message
from api.quiet import quiet_until_ms
from api.telling import Demand, Told, Verdict

SILENCE = "silence"
"""The rule whose alerts may share the cause of a dead gateway."""
ATTEND_EVERY_MS = 5_000
"""How often time alone is asked for what it demands; its delays are hours."""
AT_ONCE = 2000
"""Events looked at in one transaction; judgement: a second's work at most."""

Event = tuple[int, AlertEvent, bool]


class _Scene(NamedTuple):
    """What a run knows: alerts of its events, who was told what, declarations."""

    connection: Connection
    now_ms: int
    alerts: dict[str, Alert]
    told: dict[tuple[str, str], Told]
    batteries: Mapping[str, Battery]

    def told_to(self, alert_id: str, person: Person) -> Told:
        return self.told.get((alert_id, person.name), Told())


class Planner:
    """`channels`: names of a person's channels by the person's name. `gateway_of`: through what a battery reports; None: alone."""

    def __init__(
        self,
        ledger: SqlLedger,
        settings: PushSettings,
        channels: Mapping[str, Sequence[str]],
        gateway_of: Callable[[Battery], str | None] = lambda battery: battery.site or None,
    ) -> None:
        self._ledger, self._settings, self._gateway_of = ledger, settings, gateway_of
        self.people, self.channels = settings.people, channels
        self._seen_ms: dict[int, int] = {}
        self._attended_ms = 0

    def plan(self, now_ms: int) -> int:
        """Turn what happened and what time demands into deliveries; how many were made or changed."""
        made = 0
        with self._ledger.database.reading() as connection:
            waiting = bool(ledger_deliveries.events_to_tell(connection, 1))
        if waiting:
            with self._ledger.database.writing() as connection:
                made += self._events(connection, now_ms)
        if 0 <= now_ms - self._attended_ms < ATTEND_EVERY_MS:
            return made
        self._attended_ms = now_ms
        return made + self._attend(now_ms)

    def _name(self, alert: Alert) -> str:
        battery = self._ledger.battery(alert.battery_id)
        return alert.battery_id if battery is None else battery.vehicle or battery.id

    # --- what happened

    def _events(self, connection: Connection, now_ms: int) -> int:
        events = ledger_deliveries.events_to_tell(connection, AT_ONCE)
        late, silent, plain = self._ready(events, now_ms)
        done = [*late, *silent, *plain]
        if not done:
            return 0
        ids = [event.alert_id for _, event, _ in done]
        batteries = {battery.id: battery for battery in self._ledger.batteries()}
        told = ledger_deliveries.told_of(connection, ids)
        scene = _Scene(connection, now_ms, ledger_alerts.get_many(connection, ids), told, batteries)
        made = self._backlog(scene, [event for _, event, _ in late])
        rest = self._gateways(scene, [event for _, event, _ in silent])
        for event in [*rest, *(event for _, event, _ in plain)]:
            for person in self.people:
                made += self._one(scene, person, event)
        ledger_deliveries.mark_told(connection, [number for number, _, _ in done])
        for number, _, _ in done:
            self._seen_ms.pop(number, None)
        return made + len(silent)

    def _ready(self, events: Sequence[Event], now_ms: int) -> tuple[list[Event], list[Event], list[Event]]:
        """Late ones, silences, and the rest; the first two only once nothing more of their kind has come for a moment."""
        for number, _, _ in events:
            self._seen_ms.setdefault(number, now_ms)
        late = [e for e in events if e[2]]
        silent = [e for e in events if not e[2] and e[1].rule == SILENCE]
        plain = [e for e in events if not e[2] and e[1].rule != SILENCE]
        return self._gathered(late, now_ms), self._gathered(silent, now_ms), plain

    def _gathered(self, events: list[Event], now_ms: int) -> list[Event]:
        """All of them when the newest has waited long enough, or the oldest five times as long; else none yet."""
        if not events:
            return []
        waited = [now_ms - self._seen_ms[number] for number, _, _ in events]
        gather_ms = self._settings.gather_s * 1000
        return events if min(waited) >= gather_ms or max(waited) >= 5 * gather_ms else []

    def _one(self, scene: _Scene, person: Person, event: AlertEvent) -> int:
        """One event to one person."""
        alert = scene.alerts[event.alert_id]
        return self._keep(scene, person, alert, self._verdict(scene, person, event), event.finding)

    def _verdict(self, scene: _Scene, person: Person, event: AlertEvent) -> Verdict:
        alert = scene.alerts[event.alert_id]
        if event.kind == "ended" and event.at_ms != alert.ended_ms:
            return Verdict(False, "it goes on, or ended later")
        if event.kind == "ended" or scene.told_to(alert.id, person).ended:
            self._withdraw(scene, person, alert)
        told, battery = scene.told_to(alert.id, person), scene.batteries.get(alert.battery_id)
        return telling.on_event(person, alert, battery, event.kind, told, scene.now_ms)

    def _withdraw(self, scene: _Scene, person: Person, alert: Alert) -> None:
        """What still waits to be sent about an alert that is over is not sent, nor its end if it goes on; what was begun to be sent has been
        announced."""
        c, why = scene.connection, "over before it was told" if alert.ended_ms is not None else "it goes on: its end was not told yet"
        waiting = ledger_deliveries.untried(c, alert.id, person.name, scene.now_ms)
        for number, _, kind in waiting:
            if kind not in ("digest", "gateway", "summary"):
                ledger_deliveries.drop(c, number, scene.now_ms, why)
                continue
            left = ledger_deliveries.forget_alert(c, number, alert.id)
            if not left:
                ledger_deliveries.drop(c, number, scene.now_ms, why)
            elif kind == "digest":
                ledger_deliveries.rewrite(c, number, self._digest_text(c, person, left))
        if waiting:
            scene.told.update({(alert.id, person.name): Told()})
            scene.told.update(ledger_deliveries.told_of(c, [alert.id]))

    def _keep(self, scene: _Scene, person: Person, alert: Alert, verdict: Verdict, finding: Finding) -> int:
        if not verdict.tell:
            return 0
        if verdict.digest:
            for channel in self.channels.get(person.name, ()):
                self._into_digest(scene, person, channel, alert, verdict)
            return 1
        message = messages.about(alert, verdict.kind, finding, scene.now_ms, self._name)
        return self._send(scene, person, verdict.kind, verdict.reason, message, verdict.due_ms, [(alert.id, verdict.kind)])

    def _send(
        self, scene: _Scene, person: Person, kind: str, reason: str, message: Message, due_ms: int, spoken_of: Sequence[tuple[str, str]]
    ) -> int:
        """One message on all of a person's channels."""
        told = messages.in_units(message, person.temperature_unit)
        for channel in self.channels.get(person.name, ()):
            ledger_deliveries.add(scene.connection, channel, kind, reason, told, scene.now_ms, due_ms, spoken_of)
        return 1

    def _into_digest(self, scene: _Scene, person: Person, channel: str, alert: Alert, verdict: Verdict) -> None:
        c = scene.connection
        number = ledger_deliveries.waiting_digest(c, channel, scene.now_ms)
        if number is None:
            text = self._digest_text(c, person, [(alert.id, verdict.kind)])
            ledger_deliveries.add(c, channel, "digest", verdict.reason, text, scene.now_ms, verdict.due_ms, [(alert.id, verdict.kind)])
            return
        if alert.id not in dict(ledger_deliveries.spoken(c, number)):
            ledger_deliveries.speak_of(c, number, channel, [(alert.id, verdict.kind)])
        ledger_deliveries.rewrite(c, number, self._digest_text(c, person, ledger_deliveries.spoken(c, number)))

    def _digest_text(self, connection: Connection, person: Person, spoken_of: Sequence[tuple[str, str]]) -> Message:
        alerts = ledger_alerts.get_many(connection, [alert_id for alert_id, _ in spoken_of])
        return messages.in_units(
            messages.digest([(alerts[alert_id], kind) for alert_id, kind in spoken_of], self._name), person.temperature_unit
        )

    # --- many at once

    def _backlog(self, scene: _Scene, events: Sequence[AlertEvent]) -> int:
        """One summary to each person. An end that was found late closes what was announced before the silence."""
        made = 0
        latest = self._ledger.latest_of(sorted({event.battery_id for event in events}))
        alerts = [scene.alerts[alert_id] for alert_id in dict.fromkeys(event.alert_id for event in events)]
        alerts = [replace(alert, finding=alert.today(latest.get(alert.battery_id))) for alert in alerts]
        for person in self.people:
            spoken_of = []
            for alert in alerts:
                if alert.ended_ms is not None or scene.told_to(alert.id, person).ended:
                    self._withdraw(scene, person, alert)
                told = scene.told_to(alert.id, person)
                if alert.ended_ms is not None and told.began:
                    spoken_of += [] if told.ended else [alert]
                elif telling.concerns(person, scene.batteries.get(alert.battery_id), alert.priority) is None:
                    news = not told.began or told.ended or RANK[told.priority or "low"] < RANK[alert.priority]
                    spoken_of += [alert] if news and not person.only_escalated and telling.silenced(alert, scene.now_ms) is None else []
            if spoken_of:
                made += self._together(scene, person, "summary", "came in late", messages.backlog(spoken_of, self._name), spoken_of)
        return made

    def _together(self, scene: _Scene, person: Person, kind: str, reason: str, message: Message, alerts: Sequence[Alert]) -> int:
        due_ms = quiet_until_ms(person, scene.now_ms, message.priority) or scene.now_ms
        of = [(alert.id, "began" if alert.ended_ms is None else "ended") for alert in alerts]
        return self._send(scene, person, kind, reason, message, due_ms, of)

    def _gateways(self, scene: _Scene, events: Sequence[AlertEvent]) -> list[AlertEvent]:
        """Tell silences with one cause as one; give back those that stand alone."""
        by: dict[tuple[str, str], list[AlertEvent]] = {}
        alone: list[AlertEvent] = []
        for event in events:
            battery = scene.batteries.get(event.battery_id)
            gateway = None if battery is None else self._gateway_of(battery)
            if gateway is None or event.kind == "worsened":
                alone.append(event)
            else:
                by.setdefault((gateway, event.kind), []).append(event)
        carried = Counter(map(self._gateway_of, scene.batteries.values()))
        for (gateway, kind), group in by.items():
            down = telling.one_cause({gateway: [event.battery_id for event in group]}, carried, self._settings)
            for person in self.people:
                self._gateway(scene, person, gateway, kind, group, whole=bool(down))
        return alone

    def _gateway(self, scene: _Scene, person: Person, gateway: str, kind: str, group: Sequence[AlertEvent], *, whole: bool) -> None:
        """One person's share of a gateway's silences or ends."""
        left = []
        for event in group:
            alert, verdict = scene.alerts[event.alert_id], self._verdict(scene, person, event)
            if verdict.tell and not (kind == "began" and self._joins(scene, person, gateway, alert)):
                left.append((alert, event, verdict))
        if whole and len(left) >= self._settings.gateway_batteries:
            alerts = [alert for alert, _, _ in left]
            make = messages.gateway_down if kind == "began" else messages.gateway_back
            self._together(
                scene, person, "gateway" if kind == "began" else "gateway back", gateway, make(gateway, alerts, self._name), alerts
            )
            return
        for alert, event, verdict in left:
            self._keep(scene, person, alert, verdict, event.finding)

    def _joins(self, scene: _Scene, person: Person, gateway: str, alert: Alert) -> bool:
        """Whether the person knows already that the gateway is down: then one more silent battery is no news, but is counted with it."""
        joined = False
        for channel in self.channels.get(person.name, ()):
            number = ledger_deliveries.gateway_delivery(scene.connection, channel, gateway)
            if number is None:
                continue
            others = ledger_alerts.get_many(
                scene.connection, [alert_id for alert_id, _ in ledger_deliveries.spoken(scene.connection, number)]
            )
            if any(other.ended_ms is None for other in others.values()):
                ledger_deliveries.speak_of(scene.connection, number, channel, [(alert.id, "began")])
                joined = True
        return joined

    # --- what time demands

    def _attend(self, now_ms: int) -> int:
        """Looks without locking first, so that a quiet minute writes nothing."""
        database = self._ledger.database
        with database.reading() as connection:
            if not ledger_alerts.anything_to_expire(connection, now_ms) and not list(self._demanded(connection, now_ms, lock=False)):
                return 0
        with database.writing() as connection:
            ledger_alerts.expire(connection, now_ms)
            demanded = list(self._demanded(connection, now_ms, lock=True))
            scene = _Scene(connection, now_ms, {}, {}, {battery.id: battery for battery in self._ledger.batteries()})
            latest = self._ledger.latest_of(sorted({alert.battery_id for _, alert, _ in demanded}))
            through = {battery.id: self._gateway_of(battery) for battery in scene.batteries.values()}
            silent = [alert for alert in ledger_alerts.going(connection, lock=False) if alert.rule == SILENCE]
            return sum(self._demand(scene, group, latest) for group in telling.by_cause(demanded, silent, through, self._settings))

    def _demand(self, scene: _Scene, group: Sequence[Demand], latest: Mapping[str, Assessment]) -> int:
        """One message to one person: of one alert, or of the silences of one gateway."""
        person, alert, verdict = group[0]
        if len(group) == 1:
            return self._keep(scene, person, alert, verdict, alert.today(latest.get(alert.battery_id)))
        alerts = [alert for _, alert, _ in group]
        gateway = self._gateway_of(scene.batteries[alert.battery_id]) or ""
        message = messages.gateway_down(gateway, alerts, self._name, verdict.kind, scene.now_ms)
        return self._send(
            scene, person, verdict.kind, verdict.reason, message, verdict.due_ms, [(alert.id, verdict.kind) for alert in alerts]
        )

    def _demanded(self, connection: Connection, now_ms: int, *, lock: bool) -> Iterable[Demand]:
        alerts = ledger_alerts.going(connection, lock=lock)
        if not alerts:
            return
        told = ledger_deliveries.told_of(connection, [alert.id for alert in alerts])
        unsilenced = ledger_alerts.once_silenced(connection)
        gathered = ledger_deliveries.being_gathered(connection)
        batteries = {battery.id: battery for battery in self._ledger.batteries()}
        first = [person.name for person in self.people if not person.only_escalated]
        for alert in alerts:
            if alert.id in gathered:
                continue  # nobody has been told the newest of it yet
            asked_ms = telling.asked_since_ms(
                alert, [told[alert.id, name] for name in first if (alert.id, name) in told], unsilenced.get(alert.id)
            )
            for person in self.people:
                verdict = telling.on_time(
                    person, alert, batteries.get(alert.battery_id), told.get((alert.id, person.name), Told()), self._settings, now_ms,
                    unsilenced=alert.id in unsilenced, asked_ms=asked_ms,
                )  # fmt: skip
                if verdict.tell:
                    yield person, alert, verdict
