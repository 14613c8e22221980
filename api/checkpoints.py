"""Checkpoints of a battery's state: the newest, and thinned older ones, so that late readings are folded with bounded work.

Older ones: the first of each hour for a day, the first of each day for 45 days (compressed). A late reading makes those
after its time untrue, so they are dropped in the same transaction. What is inside a state is not looked at here.
"""

import zlib

from sqlalchemy import Connection, func, select

from analytics.batch import Batch
from api.execute import execute_each, upsert
from api.tables import CHECKPOINTS, NEWEST_CHECKPOINTS

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
KEPT_DAYS = 45
"""Judgement: longer than a van is usually out of reach; later than that the fold begins at the oldest checkpoint there is."""


class Checkpoints:
    """Remembers per battery when its newest thinned checkpoint was, so that most commits need not ask."""

    def __init__(self) -> None:
        self._thinned_ms: dict[int, int] = {}
        self._unsure: set[int] | None = None
        """Batteries to be asked for again; None: all of them, in one query, as a fleet's first commit needs them all."""

    def forget(self, number: int | None = None) -> None:
        """Another process may have written; ask the table next time."""
        if number is None:
            self._thinned_ms.clear()
            self._unsure = None
        elif self._unsure is not None:
            self._thinned_ms.pop(number, None)
            self._unsure.add(number)

    def keep(self, connection: Connection, batch: Batch, numbers: dict[str, int]) -> None:
        """Drop what late readings made untrue, then keep the batch's own."""
        for battery_id, earliest_ms in _earliest(batch).items():
            number = numbers[battery_id]
            if earliest_ms <= self._newest_thinned(connection, number):
                execute_each(connection, "DELETE FROM checkpoints WHERE battery = ? AND at_ms >= ?", [(number, earliest_ms)])
                self.forget(number)
        made = [(numbers[c.battery_id], c.at_ms, c.state) for c in batch.checkpoints]
        execute_each(connection, upsert(NEWEST_CHECKPOINTS, "battery"), made)
        for number, at_ms, state in made:
            if at_ms // HOUR_MS > self._newest_thinned(connection, number) // HOUR_MS:
                execute_each(connection, upsert(CHECKPOINTS, "battery", "at_ms"), [(number, at_ms, zlib.compress(state, 6))])
                self._thinned_ms[number] = at_ms
                _thin(connection, number, at_ms)

    def newest(self, connection: Connection, number: int, before_ms: int | None) -> tuple[int, bytes] | None:
        """The newest one, or the newest one before a time."""
        n, c = NEWEST_CHECKPOINTS.c, CHECKPOINTS.c
        found = connection.execute(select(n.at_ms, n.state).where(n.battery == number)).one_or_none()
        if found is None or before_ms is None or found.at_ms < before_ms:
            return None if found is None else (found.at_ms, bytes(found.state))
        older = select(c.at_ms, c.state).where(c.battery == number, c.at_ms < before_ms).order_by(c.at_ms.desc()).limit(1)
        found = connection.execute(older).one_or_none()
        return None if found is None else (found.at_ms, zlib.decompress(bytes(found.state)))

    def _newest_thinned(self, connection: Connection, number: int) -> int:
        newest = self._thinned_ms.get(number)
        if newest is None:
            if self._unsure is None or number in self._unsure:
                c = CHECKPOINTS.c
                query = select(c.battery, func.max(c.at_ms)).group_by(c.battery)
                if self._unsure is None:
                    self._unsure = set()
                else:
                    query = query.where(c.battery == number)
                    self._unsure.discard(number)
                for battery, at_ms in connection.execute(query):
                    self._thinned_ms[battery] = at_ms
            newest = self._thinned_ms.setdefault(number, -HOUR_MS)
        return newest


def _earliest(batch: Batch) -> dict[str, int]:
    """Per battery the earliest time at which this batch changes what was folded."""
    earliest: dict[str, int] = {}
    for pairs in (batch.kept, batch.refolded):
        for reading, _ in pairs:
            if reading.at_ms < earliest.get(reading.battery_id, 1 << 62):
                earliest[reading.battery_id] = reading.at_ms
    for note in batch.notes:
        earliest[note.battery_id] = min(note.at_ms, earliest.get(note.battery_id, 1 << 62))
    return earliest


def _thin(connection: Connection, number: int, newest_ms: int) -> None:
    execute_each(connection, "DELETE FROM checkpoints WHERE battery = ? AND at_ms < ?", [(number, newest_ms - KEPT_DAYS * DAY_MS)])
    sql = (
        "DELETE FROM checkpoints WHERE battery = ? AND at_ms < ? AND at_ms NOT IN"
        " (SELECT min(at_ms) FROM checkpoints WHERE battery = ? GROUP BY at_ms / 86400000)"
    )
    execute_each(connection, sql, [(number, newest_ms - DAY_MS, number)])
