"""Checkpoints of a battery's state: the newest, and thinned older ones, so that late readings are folded with bounded work.

Older ones: the first of each hour for a day, the first of each day for 45 days (compressed). A late reading makes those
after its time untrue, so they are dropped in the same transaction. What is inside a state is not looked at here.
"""

import zlib

from sqlalchemy import Connection, func, select

from analytics.batch import Batch
from api.execute import conflict, execute_each, insert_each
from api.tables import CHECKPOINTS, NEWEST_CHECKPOINTS

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
AT_ONCE = 1_000
"""Batteries asked for in one query."""
KEPT_DAYS = 45
"""Judgement: longer than a van is usually out of reach; later than that the fold begins at the oldest checkpoint there is."""


class Checkpoints:
    """Remembers per battery when its newest thinned checkpoint was, so that most commits need not ask."""

    def __init__(self) -> None:
        self._thinned_ms: dict[int, int] = {}

    def forget(self, number: int) -> None:
        """Another process may have written; ask the table next time."""
        self._thinned_ms.pop(number, None)

    def keep(self, connection: Connection, batch: Batch, numbers: dict[str, int]) -> None:
        """Drop what late readings made untrue, then keep the batch's own."""
        made = [(numbers[c.battery_id], c.at_ms, c.state) for c in batch.checkpoints]
        earliest = self._maybe_untrue(batch, numbers)
        self._learn(connection, {*earliest, *(number for number, _, _ in made)})
        untrue = [(number, at_ms) for number, at_ms in earliest.items() if at_ms <= self._thinned_ms[number]]
        execute_each(connection, "DELETE FROM checkpoints WHERE battery = ? AND at_ms >= ?", untrue)
        for number, _ in untrue:
            self.forget(number)
        self._learn(connection, {number for number, _ in untrue})
        newest = list({row[0]: row for row in made}.values())
        insert_each(connection, NEWEST_CHECKPOINTS, newest, conflict(NEWEST_CHECKPOINTS, "battery"))
        thinned = []
        for number, at_ms, state in made:
            if at_ms // HOUR_MS > self._thinned_ms[number] // HOUR_MS:
                thinned.append((number, at_ms, zlib.compress(state, 6)))
                self._thinned_ms[number] = at_ms
        insert_each(connection, CHECKPOINTS, thinned, conflict(CHECKPOINTS, "battery", "at_ms"))
        _thin(connection, [(number, at_ms) for number, at_ms, _ in thinned])

    def _maybe_untrue(self, batch: Batch, numbers: dict[str, int]) -> dict[int, int]:
        """Batteries of which this batch may change what was folded into a thinned checkpoint, and the earliest time of it. One loop with
        little in it: for most readings it finds nothing."""
        thinned, never, earliest = self._thinned_ms, 1 << 62, dict[int, int]()
        keys = [(reading[0], reading[1]) for pairs in (batch.kept, batch.refolded) for reading, _ in pairs]
        keys += [(note.battery_id, note.at_ms) for note in batch.notes]
        for battery_id, at_ms in keys:
            number = numbers[battery_id]
            if at_ms <= thinned.get(number, never) and at_ms < earliest.get(number, never):
                earliest[number] = at_ms
        return earliest

    def _learn(self, connection: Connection, numbers: set[int]) -> None:
        """When the newest thinned checkpoint of each was, in one query: a fleet's first commit asks for many."""
        missing = sorted(number for number in numbers if number not in self._thinned_ms)
        c = CHECKPOINTS.c
        for at in range(0, len(missing), AT_ONCE):
            part = missing[at : at + AT_ONCE]
            self._thinned_ms.update(dict.fromkeys(part, -HOUR_MS))
            found = connection.execute(select(c.battery, func.max(c.at_ms)).where(c.battery.in_(part)).group_by(c.battery))
            self._thinned_ms.update((battery, at_ms) for battery, at_ms in found)

    def newest(self, connection: Connection, number: int, before_ms: int | None) -> tuple[int, bytes] | None:
        """The newest one, or the newest one before a time."""
        n, c = NEWEST_CHECKPOINTS.c, CHECKPOINTS.c
        found = connection.execute(select(n.at_ms, n.state).where(n.battery == number)).one_or_none()
        if found is None or before_ms is None or found.at_ms < before_ms:
            return None if found is None else (found.at_ms, bytes(found.state))
        older = select(c.at_ms, c.state).where(c.battery == number, c.at_ms < before_ms).order_by(c.at_ms.desc()).limit(1)
        found = connection.execute(older).one_or_none()
        return None if found is None else (found.at_ms, zlib.decompress(bytes(found.state)))


def _thin(connection: Connection, newest: list[tuple[int, int]]) -> None:
    """`newest`: numbers and times of the checkpoints just kept."""
    too_old = [(number, at_ms - KEPT_DAYS * DAY_MS) for number, at_ms in newest]
    execute_each(connection, "DELETE FROM checkpoints WHERE battery = ? AND at_ms < ?", too_old)
    sql = (
        "DELETE FROM checkpoints WHERE battery = ? AND at_ms < ? AND at_ms NOT IN"
        " (SELECT min(at_ms) FROM checkpoints WHERE battery = ? GROUP BY at_ms / 86400000)"
    )
    execute_each(connection, sql, [(number, at_ms - DAY_MS, number) for number, at_ms in newest])
