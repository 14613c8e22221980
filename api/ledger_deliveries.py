"""The outbox in the ledger: events not yet told, deliveries waiting and done. What to tell whom, and why, is api.telling's.

Every function works inside the caller's transaction. A channel's name is `person/number`, so that a person's addresses may
change and the promise (an announced beginning has an announced end) still holds for the person.
"""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, delete, exists, func, select, update

from analytics.assessment import AlertEvent
from api import record
from api.people import RANK
from api.ports import Delivery, Message
from api.tables import ALERTS, BATTERIES, DELIVERED_ALERTS, DELIVERIES, OUTBOX
from api.telling import Told

ALIVE = ("waiting", "sent")


def events_to_tell(connection: Connection, limit: int) -> list[tuple[int, AlertEvent, bool]]:
    """Oldest first: a number, the event, and whether it is of a backlog. In a writing transaction no other replica gets them."""
    o = OUTBOX.c
    query = select(o.number, o.event, o.late).where(o.told.is_(False)).order_by(o.number).limit(limit).with_for_update(skip_locked=True)
    return [(number, record.loads(AlertEvent, text), bool(late)) for number, text, late in connection.execute(query)]


def being_gathered(connection: Connection) -> set[str]:
    """Alerts of which something happened that is not told yet."""
    return set(connection.execute(select(OUTBOX.c.alert_id).where(OUTBOX.c.told.is_(False))).scalars())


def mark_told(connection: Connection, numbers: Sequence[int]) -> None:
    connection.execute(update(OUTBOX).where(OUTBOX.c.number.in_(numbers)).values(told=True))


def told(connection: Connection, numbers: Sequence[int], deliveries: Sequence[tuple[str, Message, int]]) -> None:
    """These events are turned into these deliveries."""
    mark_told(connection, numbers)
    for channel, message, due_ms in deliveries:
        add(connection, channel, "began", "", message, due_ms, due_ms, [(message.alert_id, "began")] if message.alert_id else [])


def add(
    connection: Connection,
    channel: str,
    kind: str,
    reason: str,
    message: Message,
    made_ms: int,
    due_ms: int,
    spoken_of: Sequence[tuple[str, str]],
) -> int:
    """A new delivery that speaks of these alerts (id, and what is said of it); its number."""
    row = {"channel": channel, "kind": kind, "reason": reason, "message": record.dumps(message), "made_ms": made_ms, "due_ms": due_ms}
    made = connection.execute(DELIVERIES.insert().values(**row, tries=0, state="waiting", leased_until_ms=0).returning(DELIVERIES.c.id))
    number: int = made.scalar_one()
    speak_of(connection, number, channel, spoken_of)
    return number


def speak_of(connection: Connection, number: int, channel: str, spoken_of: Sequence[tuple[str, str]]) -> None:
    """A delivery speaks of these alerts too."""
    if spoken_of:
        rows = [{"delivery": number, "alert_id": alert_id, "channel": channel, "kind": kind} for alert_id, kind in dict(spoken_of).items()]
        connection.execute(DELIVERED_ALERTS.insert(), rows)


def rewrite(connection: Connection, number: int, message: Message) -> None:
    """A waiting delivery says something else now."""
    connection.execute(update(DELIVERIES).where(DELIVERIES.c.id == number).values(message=record.dumps(message)))


def drop(connection: Connection, number: int, now_ms: int, why: str) -> None:
    """A waiting delivery is not sent any more."""
    connection.execute(update(DELIVERIES).where(DELIVERIES.c.id == number).values(state="expired", done_ms=now_ms, last_error=why))


def told_of(connection: Connection, alert_ids: Iterable[str]) -> dict[tuple[str, str], Told]:
    """What each person was told of each alert: (alert, person) -> Told."""
    a, d = DELIVERED_ALERTS.c, DELIVERIES.c
    ids = list(dict.fromkeys(alert_ids))
    found: dict[tuple[str, str], Told] = {}
    for at in range(0, len(ids), 500):
        query = select(a.alert_id, a.channel, a.kind, d.made_ms, d.message, d.state).join(DELIVERIES, d.id == a.delivery)
        query = query.where(a.alert_id.in_(ids[at : at + 500]), d.state.in_(ALIVE)).order_by(d.id)
        for alert_id, channel, kind, made_ms, message, state in connection.execute(query):
            key = (alert_id, channel.partition("/")[0])
            known = _told(found.get(key, Told()), kind, made_ms, record.loads(Message, message).priority)
            found[key] = known._replace(waiting=known.waiting or state == "waiting")
    return found


def _told(before: Told, kind: str, made_ms: int, priority: str) -> Told:
    if kind == "ended":
        return before._replace(ended=True, last_ms=made_ms)
    if before.ended:  # it goes on after all
        before = Told(escalated=before.escalated, waiting=before.waiting)
    known, news = before.priority, not before.began or kind == "worsened"
    return Told(
        began=True,
        last_ms=made_ms,
        news_ms=made_ms if news else before.news_ms,
        priority=priority if known is None or RANK[priority] > RANK[known] else known,
        reminded=kind == "reminder" or (before.reminded and kind != "worsened"),
        escalated=before.escalated or kind == "escalation",
        waiting=before.waiting,
    )


def untried(connection: Connection, alert_id: str, person: str, now_ms: int) -> list[tuple[int, str, str]]:
    """Deliveries to this person about this alert that nobody has begun to send: number, channel and kind. They may still be changed."""
    a, d = DELIVERED_ALERTS.c, DELIVERIES.c
    query = select(d.id, d.channel, d.kind).join(DELIVERED_ALERTS, a.delivery == d.id)
    query = query.where(a.alert_id == alert_id, d.channel.startswith(f"{person}/", autoescape=True), d.state == "waiting", d.tries == 0)
    rows = connection.execute(query.where(d.leased_until_ms <= now_ms).with_for_update(of=DELIVERIES)).all()
    return [(row[0], row[1], row[2]) for row in rows]


def forget_alert(connection: Connection, number: int, alert_id: str) -> list[tuple[str, str]]:
    """A delivery does not speak of this alert any more; what it still speaks of."""
    a = DELIVERED_ALERTS.c
    connection.execute(delete(DELIVERED_ALERTS).where(a.delivery == number, a.alert_id == alert_id))
    return spoken(connection, number)


def spoken(connection: Connection, number: int) -> list[tuple[str, str]]:
    """The alerts that a delivery speaks of, and what it says of each."""
    a = DELIVERED_ALERTS.c
    rows = connection.execute(select(a.alert_id, a.kind).where(a.delivery == number).order_by(a.alert_id)).all()
    return [(row[0], row[1]) for row in rows]


def waiting_digest(connection: Connection, channel: str, now_ms: int) -> int | None:
    """The digest that is being gathered for this channel."""
    d = DELIVERIES.c
    query = select(d.id).where(d.channel == channel, d.kind == "digest", d.state == "waiting", d.tries == 0, d.leased_until_ms <= now_ms)
    return connection.execute(query.order_by(d.id.desc()).limit(1).with_for_update()).scalar_one_or_none()


def gateway_delivery(connection: Connection, channel: str, gateway: str) -> int | None:
    """The newest message to this channel that this gateway is down."""
    d = DELIVERIES.c
    query = select(d.id).where(d.channel == channel, d.kind == "gateway", d.reason == gateway, d.state.in_(ALIVE))
    return connection.execute(query.order_by(d.id.desc()).limit(1)).scalar_one_or_none()


def lease(connection: Connection, channel: str, now_ms: int, for_ms: int) -> Delivery | None:
    """The next due delivery of a channel, held for this sender only. What was made earlier about the same alert goes first."""
    d = DELIVERIES.c
    earlier, mine, other = DELIVERIES.alias(), DELIVERED_ALERTS.alias(), DELIVERED_ALERTS.alias()
    overtakes = exists(
        select(earlier.c.id)
        .join(other, other.c.delivery == earlier.c.id)
        .join(mine, mine.c.alert_id == other.c.alert_id)
        .where(mine.c.delivery == d.id, earlier.c.channel == channel, earlier.c.state == "waiting", earlier.c.id < d.id)
    )
    free = (d.channel == channel) & (d.state == "waiting") & (d.due_ms <= now_ms) & (d.leased_until_ms <= now_ms)
    first = select(d.id).where(free, ~overtakes).order_by(d.due_ms, d.id).limit(1).with_for_update(skip_locked=True)
    number = connection.execute(first).scalar_one_or_none()
    if number is None:
        return None
    held = (
        update(DELIVERIES).where(d.id == number, d.leased_until_ms <= now_ms).values(leased_until_ms=now_ms + for_ms).returning(DELIVERIES)
    )
    row = connection.execute(held).one_or_none()
    return None if row is None else delivery_of(row)


def next_due_ms(connection: Connection, channel: str) -> int | None:
    d = DELIVERIES.c
    due_ms: int | None = connection.execute(
        select(func.min(d.due_ms)).where(d.channel == channel, d.state == "waiting")
    ).scalar_one_or_none()
    return due_ms


def made_ms(connection: Connection, delivery_id: int) -> int:
    made: int = connection.execute(select(DELIVERIES.c.made_ms).where(DELIVERIES.c.id == delivery_id)).scalar_one()
    return made


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


def of_numbers(connection: Connection, numbers: Sequence[int]) -> list[Delivery]:
    d = DELIVERIES.c
    return [delivery_of(row) for row in connection.execute(select(DELIVERIES).where(d.id.in_(numbers)).order_by(d.id))]


def page(
    connection: Connection,
    *,
    about: Sequence[str] | None = None,
    within: Sequence[str] | None = None,
    person: str | None = None,
    state: str | None = None,
    after_id: int | None = None,
    limit: int = 100,
) -> list[Delivery]:
    """See api.ports.Ledger.delivered."""
    d, a, b = DELIVERIES.c, DELIVERED_ALERTS.c, BATTERIES.c
    speaks = select(a.delivery).join(ALERTS, ALERTS.c.id == a.alert_id).join(BATTERIES, b.number == ALERTS.c.battery)
    query = select(DELIVERIES).order_by(d.id.desc()).limit(limit)
    for battery_ids in (about, within):
        if battery_ids is not None:
            query = query.where(d.id.in_(speaks.where(b.id.in_(battery_ids))))
    if within is not None:
        query = query.where(d.id.not_in(speaks.where(b.id.not_in(within))))
    if person is not None:
        query = query.where(d.channel.startswith(f"{person}/", autoescape=True))
    if state == "failed":
        query = query.where((d.state == "refused") | ((d.tries > 0) & d.last_error.is_not(None)))
    elif state is not None:
        query = query.where(d.state == state)
    if after_id is not None:
        query = query.where(d.id < after_id)
    return [delivery_of(row) for row in connection.execute(query)]


def drop_unreachable(connection: Connection, channels: Iterable[str], now_ms: int) -> int:
    """Deliveries to addresses that are gone from the settings, or browsers that are no longer subscribed, are given up; how many."""
    d = DELIVERIES.c
    gone = update(DELIVERIES).where(d.state == "waiting", d.channel.not_in(list(channels)))
    return connection.execute(gone.values(state="expired", done_ms=now_ms, last_error="this address is no longer there")).rowcount


def waiting(connection: Connection, now_ms: int) -> dict[str, tuple[int, int]]:
    """Per channel how many deliveries are due and since when the oldest is, milliseconds."""
    d = DELIVERIES.c
    query = select(d.channel, func.count(), func.min(d.due_ms)).where(d.state == "waiting", d.due_ms <= now_ms).group_by(d.channel)
    return {channel: (count, now_ms - oldest) for channel, count, oldest in connection.execute(query)}


def delivery_of(row: Any) -> Delivery:
    return Delivery(
        row.id, row.channel, record.loads(Message, row.message), row.tries, row.due_ms, row.state, row.last_error, row.kind, row.made_ms,
        row.done_ms,
    )  # fmt: skip
