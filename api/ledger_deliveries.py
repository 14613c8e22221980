"""The outbox in the ledger: events not yet told, deliveries waiting and done. What to tell whom, and why, is api.outbox'.

Every function works inside the caller's transaction.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select, update

from analytics.assessment import AlertEvent
from api import record
from api.ports import Delivery, Message
from api.tables import DELIVERED_ALERTS, DELIVERIES, OUTBOX


def events_to_tell(connection: Connection, limit: int) -> list[tuple[int, AlertEvent, bool]]:
    """Oldest first: a number, the event, and whether it is of a backlog."""
    o = OUTBOX.c
    query = select(o.number, o.event, o.late).where(o.told.is_(False)).order_by(o.number).limit(limit)
    return [(number, record.loads(AlertEvent, text), bool(late)) for number, text, late in connection.execute(query)]


def told(connection: Connection, numbers: Sequence[int], deliveries: Sequence[tuple[str, Message, int]]) -> None:
    connection.execute(update(OUTBOX).where(OUTBOX.c.number.in_(numbers)).values(told=True))
    for channel, message, due_ms in deliveries:
        add(connection, channel, "began", "", message, due_ms, due_ms, [message.alert_id] if message.alert_id else [])


def add(
    connection: Connection, channel: str, kind: str, reason: str, message: Message, made_ms: int, due_ms: int, alert_ids: Sequence[str]
) -> int:
    """A new delivery that speaks of these alerts; its number."""
    row = {"channel": channel, "kind": kind, "reason": reason, "message": record.dumps(message), "made_ms": made_ms, "due_ms": due_ms}
    made = connection.execute(DELIVERIES.insert().values(**row, tries=0, state="waiting", leased_until_ms=0).returning(DELIVERIES.c.id))
    number: int = made.scalar_one()
    if alert_ids:
        rows = [{"delivery": number, "alert_id": alert_id, "channel": channel, "kind": kind} for alert_id in dict.fromkeys(alert_ids)]
        connection.execute(DELIVERED_ALERTS.insert(), rows)
    return number


def due(connection: Connection, now_ms: int, limit: int) -> list[Delivery]:
    d = DELIVERIES.c
    query = (
        select(DELIVERIES)
        .where(d.state == "waiting", d.due_ms <= now_ms, d.leased_until_ms <= now_ms)
        .order_by(d.due_ms, d.id)
        .limit(limit)
    )
    return [delivery_of(row) for row in connection.execute(query)]


def tried(connection: Connection, delivery_id: int, at_ms: int, state: str, due_ms: int, error: str | None) -> None:
    d = DELIVERIES.c
    done_ms = None if state == "waiting" else at_ms
    values: dict[str, Any] = {"state": state, "due_ms": due_ms, "last_error": error, "done_ms": done_ms, "leased_until_ms": 0}
    connection.execute(update(DELIVERIES).where(d.id == delivery_id).values(tries=d.tries + 1, **values))


def delivery_of(row: Any) -> Delivery:
    return Delivery(row.id, row.channel, record.loads(Message, row.message), row.tries, row.due_ms, row.state, row.last_error)
