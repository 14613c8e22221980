"""The ledger in SQL: one commit that keeps a batch all or nothing, and everything that is not the time series.

Who decides is elsewhere: analytics says what began and ended, api.acts what a person may do, api.outbox who is told.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Connection, func, select, update

from analytics.assessment import AlertEvent, Assessment
from analytics.batch import Batch, DeadLetter, Quarantined
from analytics.battery import Battery
from analytics.reading import Note, Reading
from api import ledger_alerts, ledger_deliveries, record
from api.checkpoints import Checkpoints
from api.database import Database
from api.execute import conflict, insert_each
from api.facts import fact, keep_fact
from api.history.sql import SqlHistory, insert, reassess
from api.ledger_batch import Fenced, battery_ids, check_fences, keep_dead_letters, keep_notes, note_of, quarantine
from api.ledger_latest import Latest, latest_of
from api.numbers import Numbers
from api.ports import Alert, AlertAct, Delivery, Message
from api.tables import BATTERIES, DEAD_LETTERS, DECLARATIONS, NOTES, PARTITIONS, QUARANTINE
from api.taking_over import Past, pasts


class SqlLedger:
    """Satisfies api.ports.Ledger, and by its shape the store of the ingest loop."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self._numbers = Numbers()
        self.history = SqlHistory(database, self._numbers)
        self._checkpoints, self._latest = Checkpoints(), Latest()
        self._declared: tuple[object, dict[str, Battery]] = (None, {})
        """The newest declaration of each battery by id, and what the table looked like then."""
        self.mark_unsent: Callable[[Connection, Batch, Mapping[str, int]], None] | None = None
        """Called in the transaction of each commit, where there is a second history (api.history.forward)."""

    # --- the commit

    def commit(self, batch: Batch, fences: Mapping[str, int] | None = None) -> None:
        """Keep the batch in one transaction; keeping it again changes nothing.

        `fences`: what `claim` gave for batteries this worker owns; raises Fenced where another has claimed one since.
        Raises DatabaseFull, DatabaseBusy, DatabaseDamaged (api.database): then nothing was kept, and it may be tried again.
        """
        if batch.empty():
            return
        try:
            with self.database.writing() as connection:
                numbers = self._numbers.of(connection, battery_ids(batch))
                check_fences(connection, numbers, fences or {})
                insert(connection, batch.kept, numbers)
                reassess(connection, batch.refolded, numbers)
                if self.mark_unsent is not None:
                    self.mark_unsent(connection, batch, numbers)
                self._checkpoints.keep(connection, batch, numbers)
                for late, events in ((False, batch.events), (True, batch.late_events)):
                    for event in events:
                        ledger_alerts.record_event(connection, event, numbers[event.battery_id], late)
                keep_notes(connection, batch.notes, numbers)
                self._latest.keep(connection, batch, numbers)
                keep_dead_letters(connection, batch.dead_letters)
                quarantine(connection, batch.quarantined, batch.released, numbers)
        except BaseException:
            self.forget()
            raise

    def forget(self) -> None:
        """Drop what this process remembers of the tables: after a failed transaction or when another process wrote."""
        self._numbers.forget()
        self._checkpoints, self._latest = Checkpoints(), Latest()

    def claim(self, battery_ids: Sequence[str], queues: Mapping[str, str] | None = None) -> dict[str, int]:
        """Take batteries over: whoever claimed them before can no longer commit for them.

        `queues`: through which queue a battery's readings come, where that is known.
        """
        with self.database.writing() as connection:
            numbers = self._numbers.of(connection, battery_ids)
            wanted = {numbers[battery_id]: battery_id for battery_id in battery_ids}
            b = BATTERIES.c
            raised = connection.execute(
                update(BATTERIES).where(b.number.in_(wanted)).values(fence=b.fence + 1).returning(b.number, b.fence)
            ).all()
            made = [(numbers[battery_id], queue) for battery_id, queue in (queues or {}).items()]
            insert_each(connection, PARTITIONS, made, conflict(PARTITIONS, "battery"))
        for number, battery_id in wanted.items():
            self._checkpoints.forget(number)
            self._latest.forget(battery_id)
        return {wanted[number]: fence for number, fence in raised}

    def of_partition(self, queue: str) -> list[str]:
        """The batteries whose readings last came through this queue."""
        query = select(BATTERIES.c.id).join(PARTITIONS, PARTITIONS.c.battery == BATTERIES.c.number).where(PARTITIONS.c.queue == queue)
        with self.database.reading() as connection:
            return list(connection.execute(query.order_by(BATTERIES.c.id)).scalars())

    # --- batteries

    def batteries(self) -> list[Battery]:
        """The newest declaration of each, by id."""
        return list(self.declared().values())

    def battery(self, battery_id: str) -> Battery | None:
        return self.declared().get(battery_id)

    def declared(self) -> Mapping[str, Battery]:
        """The newest declaration of each, by its id. Read again only when something was declared, by whichever process: every request and every watcher asks for it."""
        d, b = DECLARATIONS.c, BATTERIES.c
        with self.database.reading() as connection:
            # the count too: of two transactions at the same time, the later number may be committed first
            seen = tuple(connection.execute(select(func.max(d.number), func.count())).one())
            if seen != self._declared[0]:
                newest = select(func.max(d.number)).group_by(d.battery).scalar_subquery()
                query = select(d.declared).join(BATTERIES, b.number == d.battery).where(d.number.in_(newest)).order_by(b.id)
                found = [record.battery_loads(text) for text in connection.execute(query).scalars()]
                self._declared = seen, {battery.id: battery for battery in found}
        return self._declared[1]

    def declare(self, battery: Battery, at_ms: int, who: str) -> None:
        """Keep a declaration; an older one stays in its history. Declaring the same again changes nothing."""
        text = record.battery_dumps(battery)
        known = self.declarations(battery.id)
        if known and record.battery_dumps(known[-1][2]) == text:
            return
        try:
            with self.database.writing() as connection:
                number = self._numbers.of(connection, [battery.id])[battery.id]
                connection.execute(DECLARATIONS.insert().values(battery=number, at_ms=at_ms, who=who, declared=text))
        except BaseException:
            self.forget()
            raise

    def declarations(self, battery_id: str) -> list[tuple[int, str, Battery]]:
        """When, who and what, oldest first."""
        d, b = DECLARATIONS.c, BATTERIES.c
        query = select(d.at_ms, d.who, d.declared).join(BATTERIES, b.number == d.battery).where(b.id == battery_id).order_by(d.number)
        with self.database.reading() as connection:
            return [(at_ms, who, record.battery_loads(text)) for at_ms, who, text in connection.execute(query)]

    # --- beliefs and states

    def latest(self, battery_id: str) -> Assessment | None:
        """See `latest_of`."""
        return self.latest_of([battery_id]).get(battery_id)

    def latest_of(self, battery_ids: Sequence[str]) -> dict[str, Assessment]:
        """The newest assessment of each, in one query."""
        with self.database.reading() as connection:
            return latest_of(connection, battery_ids)

    def last_of(self, battery_ids: Sequence[str]) -> dict[str, Reading]:
        """The last reading of each."""
        return self.history.last_of(battery_ids)

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None:
        """The newest checkpoint (its time and state), or the newest one before a time."""
        number = self._numbers.known(self.database, battery_id)
        if number is None:
            return None
        self._checkpoints.forget(number)
        with self.database.reading() as connection:
            return self._checkpoints.newest(connection, number, before_ms)

    def pasts(self, battery_ids: Sequence[str]) -> dict[str, Past]:
        """What continues the folds of these batteries, in a handful of queries; those that were never kept are left out."""
        ids = {number: i for i in battery_ids if (number := self._numbers.known(self.database, i)) is not None}
        with self.database.reading() as connection:
            return pasts(connection, ids) if ids else {}

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        return self.history.readings(battery_id, from_ms, to_ms)

    def has(self, keys: Sequence[tuple[str, int, int]]) -> set[tuple[str, int, int]]:
        """Which of these (battery, time, sequence) history has: a late reading that it has is a duplicate."""
        found: set[tuple[str, int, int]] = set()
        sql = "SELECT 1 FROM history WHERE battery = ? AND at_ms = ? AND sequence = ?"
        numbers = {battery_id: self._numbers.known(self.database, battery_id) for battery_id, _, _ in keys}
        with self.database.reading() as connection:
            sql = sql if self.database.sqlite else sql.replace("?", "%s")
            for battery_id, at_ms, sequence in keys:
                number = numbers[battery_id]
                if number is not None and connection.exec_driver_sql(sql, (number, at_ms, sequence)).first():
                    found.add((battery_id, at_ms, sequence))
        return found

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]:
        n, b = NOTES.c, BATTERIES.c
        query = select(n.at_ms, n.kind, n.value, n.who).join(BATTERIES, b.number == n.battery)
        query = query.where(b.id == battery_id, n.at_ms >= from_ms).order_by(n.at_ms, n.kind)
        with self.database.reading() as connection:
            found = connection.execute(query).all()
        return [note_of(battery_id, row) for row in found]

    # --- alerts and acts: see api.ledger_alerts

    def alerts(
        self,
        battery_id: str | None = None,
        *,
        active: bool | None = None,
        rule: str | None = None,
        after_id: str | None = None,
        limit: int = 100,
        battery_ids: Sequence[str] | None = None,
    ) -> list[Alert]:
        """Newest first. `battery_ids`: only of these; `after_id`: those that follow this one in the list."""
        only = battery_ids if battery_id is None else [battery_id]
        with self.database.reading() as connection:
            return ledger_alerts.find(connection, only, active, rule, after_id, limit)

    def alert(self, alert_id: str) -> Alert | None:
        with self.database.reading() as connection:
            return ledger_alerts.get(connection, alert_id)

    def acts(self, alert_id: str) -> list[AlertAct]:
        with self.database.reading() as connection:
            return ledger_alerts.acts(connection, alert_id)

    def acknowledge(self, alert_id: str, at_ms: int, who: str) -> Alert:
        with self.database.writing() as connection:
            return ledger_alerts.acknowledge(connection, alert_id, at_ms, who)

    def shelve(self, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert:
        with self.database.writing() as connection:
            return ledger_alerts.shelve(connection, alert_id, at_ms, until_ms, who, reason)

    def unshelve(self, alert_id: str, at_ms: int, who: str) -> Alert:
        with self.database.writing() as connection:
            return ledger_alerts.unshelve(connection, alert_id, at_ms, who)

    def take_out_of_service(self, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert:
        with self.database.writing() as connection:
            return ledger_alerts.take_out_of_service(connection, alert_id, at_ms, until_ms, who, reason)

    def return_to_service(self, alert_id: str, at_ms: int, who: str) -> Alert:
        with self.database.writing() as connection:
            return ledger_alerts.return_to_service(connection, alert_id, at_ms, who)

    # --- outbox: see api.ledger_deliveries

    def events_to_tell(self, limit: int = 100) -> list[tuple[int, AlertEvent, bool]]:
        with self.database.reading() as connection:
            return ledger_deliveries.events_to_tell(connection, limit)

    def told(self, numbers: Sequence[int], deliveries: Sequence[tuple[str, Message, int]]) -> None:
        with self.database.writing() as connection:
            ledger_deliveries.told(connection, numbers, deliveries)

    def due(self, now_ms: int, limit: int = 20) -> list[Delivery]:
        with self.database.reading() as connection:
            return ledger_deliveries.due(connection, now_ms, limit)

    def tried(self, delivery_id: int, at_ms: int, state: str, due_ms: int, error: str | None) -> None:
        with self.database.writing() as connection:
            ledger_deliveries.tried(connection, delivery_id, at_ms, state, due_ms, error)

    def delivered(self, **wanted: Any) -> list[Delivery]:
        """See api.ports.Ledger."""
        with self.database.reading() as connection:
            return ledger_deliveries.page(connection, **wanted)

    # --- what could not be believed

    def dead_letters(self, limit: int = 100) -> list[DeadLetter]:
        """Newest first."""
        d = DEAD_LETTERS.c
        with self.database.reading() as connection:
            found = connection.execute(select(d.at_ms, d.source, d.reason, d.raw).order_by(d.number.desc()).limit(limit)).all()
        return [DeadLetter(at_ms, source, reason, bytes(raw)) for at_ms, source, reason, raw in found]

    def quarantined(self, battery_id: str | None = None, until_ms: int | None = None, limit: int = 10_000) -> list[Quarantined]:
        """Readings kept apart, oldest first; `until_ms`: only those whose time has come by then."""
        q, b = QUARANTINE.c, BATTERIES.c
        query = select(q.reading, q.received_ms, q.reason).join(BATTERIES, b.number == q.battery).order_by(q.at_ms, q.sequence).limit(limit)
        if battery_id is not None:
            query = query.where(b.id == battery_id)
        if until_ms is not None:
            query = query.where(q.at_ms <= until_ms)
        with self.database.reading() as connection:
            return [Quarantined(record.loads(Reading, text), received, reason) for text, received, reason in connection.execute(query)]

    # --- small facts

    def fact(self, key: str) -> Any:
        with self.database.reading() as connection:
            return fact(connection, key)

    def keep_fact(self, key: str, value: Any) -> None:
        with self.database.writing() as connection:
            keep_fact(connection, key, value)


__all__ = ["Fenced", "SqlLedger"]
