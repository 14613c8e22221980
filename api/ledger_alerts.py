"""Alerts in the ledger: a row for what is true and what people did, a line for each act. Which act is allowed is api.acts'.

Every function works inside the caller's transaction.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Row, and_, func, or_, select, update

from analytics.assessment import AlertEvent, Finding
from api import acts as people
from api import record
from api.execute import execute_each
from api.ports import Alert, AlertAct
from api.tables import ACTS, ALERTS, BATTERIES

RESTVOLT = "restvolt"
"""Who did what no person did."""


class NoSuchAlert(LookupError):  # noqa: N818 - named for what happened
    """There is no alert of this id."""


def record_event(connection: Connection, event: AlertEvent, number: int, late: bool) -> None:
    """Keep what began, worsened or ended, once: the event again changes nothing. The outbox finds it in its table."""
    marks = "?, ?, ?, ?, ?, ?" if connection.dialect.name == "sqlite" else "%s, %s, %s, %s, %s, %s"
    new = connection.exec_driver_sql(
        f"INSERT INTO outbox (alert_id, kind, at_ms, late, event, told) VALUES ({marks}) ON CONFLICT (alert_id, kind, at_ms) DO NOTHING",  # noqa: S608
        (event.alert_id, event.kind, event.at_ms, late, record.dumps(event), False),
    ).rowcount
    if not new:
        return
    _insert(connection, event, number)
    a = ALERTS.c
    this = update(ALERTS).where(a.id == event.alert_id)
    if event.kind == "worsened":
        if event.priority == "high":
            _unshelve_the_lesser(connection, event)
        # A higher priority is news that nobody has seen yet, so the acknowledgement of the lower one does not count for it.
        connection.execute(
            this.values(priority=event.priority, finding=record.dumps(event.finding), acknowledged_ms=None, acknowledged_by=None)
        )
    elif event.kind == "ended":
        connection.execute(this.values(ended_ms=event.at_ms))
    else:
        # It goes on after its end was told: nobody has seen that yet, either.
        again = this.where(a.ended_ms.is_not(None))
        connection.execute(again.values(ended_ms=None, priority=event.priority, acknowledged_ms=None, acknowledged_by=None))
    add_act(connection, event.alert_id, AlertAct(event.at_ms, event.kind, RESTVOLT, event.reason))


def _unshelve_the_lesser(connection: Connection, event: AlertEvent) -> None:
    """Who shelved a lesser alert did not know of the danger it has become: the shelf ends. Out of service still holds, it is being worked on."""
    alert = get(connection, event.alert_id)
    if alert is not None and alert.priority != "high":
        _keep(connection, *people.unshelve(alert, event.at_ms, "it became worse"))


def _insert(connection: Connection, event: AlertEvent, number: int) -> None:
    """The alert's row, if it has none. A shelf over the same rule of the same battery that still holds goes on, unless it was
    made over a lesser alert and this one is high."""
    a = ALERTS.c
    if connection.execute(select(a.id).where(a.id == event.alert_id)).first():
        return
    before = select(ALERTS).where(a.battery == number, a.rule == event.rule).order_by(a.began_ms.desc(), a.id.desc()).limit(1)
    last = connection.execute(before).mappings().one_or_none()
    carried: dict[str, Any] = {}
    for group in (
        ("shelved_until_ms", "shelved_by", "shelved_reason"),
        ("out_of_service_until_ms", "out_of_service_by", "out_of_service_reason"),
    ):
        graver = group[0] == "shelved_until_ms" and event.priority == "high" and last is not None and last["priority"] != "high"
        if last is not None and not graver and (last[group[0]] or 0) > event.at_ms:
            carried.update({name: last[name] for name in group})
    row = {"id": event.alert_id, "battery": number, "rule": event.rule, "priority": event.priority, "began_ms": began_ms(event)}
    connection.execute(ALERTS.insert().values(**row, finding=record.dumps(event.finding), **carried))


def began_ms(event: AlertEvent) -> int:
    """An alert's id ends with when it began."""
    ending = event.alert_id.rpartition(":")[2]
    return int(ending) if ending.isdigit() else event.at_ms


def find(
    connection: Connection, battery_ids: Sequence[str] | None, active: bool | None, rule: str | None, after_id: str | None, limit: int
) -> list[Alert]:
    """Newest first; alerts that began together in the order of their ids, backwards."""
    a, b = ALERTS.c, BATTERIES.c
    query = select(ALERTS, b.id.label("battery_id")).join(BATTERIES, b.number == a.battery)
    if battery_ids is not None:
        query = query.where(b.id.in_(battery_ids))
    if active is not None:
        query = query.where(a.ended_ms.is_(None) if active else a.ended_ms.is_not(None))
    if rule is not None:
        query = query.where(a.rule == rule)
    if after_id is not None:
        after = connection.execute(select(a.began_ms).where(a.id == after_id)).scalar_one_or_none()
        if after is None:
            raise NoSuchAlert(f"there is no alert {after_id}")
        query = query.where(or_(a.began_ms < after, and_(a.began_ms == after, a.id < after_id)))
    return [alert_of(row) for row in connection.execute(query.order_by(a.began_ms.desc(), a.id.desc()).limit(limit))]


def get(connection: Connection, alert_id: str) -> Alert | None:
    a, b = ALERTS.c, BATTERIES.c
    query = select(ALERTS, b.id.label("battery_id")).join(BATTERIES, b.number == a.battery).where(a.id == alert_id)
    row = connection.execute(query).one_or_none()
    return None if row is None else alert_of(row)


def get_many(connection: Connection, alert_ids: Iterable[str]) -> dict[str, Alert]:
    """Those of these alerts that exist, by id."""
    a, b = ALERTS.c, BATTERIES.c
    ids = list(dict.fromkeys(alert_ids))
    found: dict[str, Alert] = {}
    for at in range(0, len(ids), 500):
        query = select(ALERTS, b.id.label("battery_id")).join(BATTERIES, b.number == a.battery).where(a.id.in_(ids[at : at + 500]))
        found.update({row.id: alert_of(row) for row in connection.execute(query)})
    return found


def going(connection: Connection, *, lock: bool) -> list[Alert]:
    """Every alert that has not ended; locked for the rest of the transaction, so that one replica at a time attends to them."""
    a, b = ALERTS.c, BATTERIES.c
    query = select(ALERTS, b.id.label("battery_id")).join(BATTERIES, b.number == a.battery).where(a.ended_ms.is_(None)).order_by(a.id)
    return [alert_of(row) for row in connection.execute(query.with_for_update(of=ALERTS) if lock else query)]


def once_silenced(connection: Connection) -> dict[str, int]:
    """Alerts still going whose shelf or time out of service is over, and when it was: they may never have been told."""
    a, t = ALERTS.c, ACTS.c
    query = select(t.alert_id, func.max(t.at_ms)).join(ALERTS, a.id == t.alert_id).group_by(t.alert_id)
    over = query.where(a.ended_ms.is_(None), t.kind.in_(("unshelved", "in service")))
    return {row[0]: row[1] for row in connection.execute(over)}


def anything_to_expire(connection: Connection, now_ms: int) -> bool:
    a = ALERTS.c
    return (
        connection.execute(select(a.id).where(or_(a.shelved_until_ms <= now_ms, a.out_of_service_until_ms <= now_ms)).limit(1)).first()
        is not None
    )


def alert_of(row: Row[Any]) -> Alert:
    return Alert(
        row.id,
        row.battery_id,
        row.rule,
        row.priority,
        people.state_of(row.ended_ms, row.acknowledged_ms),
        row.began_ms,
        row.ended_ms,
        record.loads(Finding, row.finding),
        row.acknowledged_ms,
        row.acknowledged_by,
        row.shelved_until_ms,
        row.shelved_by,
        row.shelved_reason,
        row.out_of_service_until_ms is not None,
        row.out_of_service_until_ms,
        row.out_of_service_by,
        row.out_of_service_reason,
    )


def acts(connection: Connection, alert_id: str) -> list[AlertAct]:
    """Oldest first."""
    t = ACTS.c
    query = select(t.at_ms, t.kind, t.who, t.text).where(t.alert_id == alert_id).order_by(t.at_ms, t.number)
    return [AlertAct(*row) for row in connection.execute(query)]


def add_act(connection: Connection, alert_id: str, act: AlertAct) -> None:
    execute_each(connection, "INSERT INTO acts (alert_id, at_ms, kind, who, text) VALUES (?, ?, ?, ?, ?)", [(alert_id, *act)])


def acknowledge(connection: Connection, alert_id: str, at_ms: int, who: str) -> Alert:
    return _keep(connection, *people.acknowledge(_held(connection, alert_id), at_ms, who))


def shelve(connection: Connection, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert:
    return _keep(connection, *people.shelve(_held(connection, alert_id), at_ms, until_ms, who, reason))


def unshelve(connection: Connection, alert_id: str, at_ms: int, who: str) -> Alert:
    return _keep(connection, *people.unshelve(_held(connection, alert_id), at_ms, who))


def take_out_of_service(connection: Connection, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert:
    return _keep(connection, *people.take_out_of_service(_held(connection, alert_id), at_ms, until_ms, who, reason))


def return_to_service(connection: Connection, alert_id: str, at_ms: int, who: str) -> Alert:
    return _keep(connection, *people.return_to_service(_held(connection, alert_id), at_ms, who))


def expire(connection: Connection, now_ms: int) -> list[Alert]:
    """End the shelves and the out-of-service times that are over; the alerts whose silence has ended."""
    a, b = ALERTS.c, BATTERIES.c
    over = or_(a.shelved_until_ms <= now_ms, a.out_of_service_until_ms <= now_ms)
    query = select(ALERTS, b.id.label("battery_id")).join(BATTERIES, b.number == a.battery).where(over).with_for_update(of=ALERTS)
    changed = []
    for row in connection.execute(query).all():
        alert, done = people.expired(alert_of(row), now_ms)
        for act in done:
            _keep(connection, alert, act)
        changed.append(alert)
    return changed


def _held(connection: Connection, alert_id: str) -> Alert:
    """The alert, its row locked until the end of the transaction. Raises NoSuchAlert."""
    connection.execute(select(ALERTS.c.id).where(ALERTS.c.id == alert_id).with_for_update())
    alert = get(connection, alert_id)
    if alert is None:
        raise NoSuchAlert(f"there is no alert {alert_id}")
    return alert


def _keep(connection: Connection, alert: Alert, act: AlertAct | None) -> Alert:
    if act is not None:
        connection.execute(
            update(ALERTS)
            .where(ALERTS.c.id == alert.id)
            .values(
                acknowledged_ms=alert.acknowledged_ms,
                acknowledged_by=alert.acknowledged_by,
                shelved_until_ms=alert.shelved_until_ms,
                shelved_by=alert.shelved_by,
                shelved_reason=alert.shelved_reason,
                out_of_service_until_ms=alert.out_of_service_until_ms,
                out_of_service_by=alert.out_of_service_by,
                out_of_service_reason=alert.out_of_service_reason,
            )
        )
        add_act(connection, alert.id, act)
    return alert
