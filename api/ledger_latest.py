"""The newest assessment of each battery: its details in a row of their own, what moves with each reading out of history.

A reading and what was believed with it are in history already. So the row is written only when it says something that history does not: new
details, a new anchor, time that went by without a reading. That spares each battery a page a commit, which is most of what a fleet writes.
Inside the caller's transaction.
"""

from collections.abc import Sequence

from sqlalchemy import Connection, func, select

from analytics.assessment import Anchor, Assessment, Details, Untold
from analytics.batch import Batch
from api import record
from api.execute import conflict, execute_each, insert_each
from api.history.codes import assessed
from api.numbers import among
from api.tables import BATTERIES, HISTORY, LATEST

Written = tuple[Details | Untold, Anchor | None, int]


class Latest:
    """Remembers per battery what its row says, so that a commit need not ask."""

    def __init__(self) -> None:
        self._written: dict[str, Written] = {}

    def forget(self, battery_id: str | None = None) -> None:
        """Another process may have written, or a transaction failed: the next row is written whole."""
        if battery_id is None:
            self._written.clear()
        else:
            self._written.pop(battery_id, None)

    def keep(self, connection: Connection, batch: Batch, numbers: dict[str, int]) -> None:
        """Write the rows that say more than the batch's readings. If the transaction fails, `forget`."""
        readings = {id(assessment) for _, assessment in batch.kept}
        written, whole, moved = self._written, [], []
        for battery_id, assessment in batch.latest.items():
            at_ms, anchor, told = assessment[1], assessment[9], assessment[10]
            before = written.get(battery_id)
            if before is None or before[0] is not told:
                text = record.dumps(assessment[:-1])
                whole.append((numbers[battery_id], at_ms, text, record.dumps(assessment.details)))
            elif before[1] is anchor and before[2] < at_ms and assessment[7] is not None and id(assessment) in readings:
                continue
            else:
                moved.append((at_ms, record.dumps(assessment[:-1]), numbers[battery_id], at_ms))
            written[battery_id] = told, anchor, at_ms
        execute_each(connection, "UPDATE latest SET at_ms = ?, assessment = ? WHERE battery = ? AND at_ms <= ?", moved)
        insert_each(connection, LATEST, whole, conflict(LATEST, "battery") + " WHERE excluded.at_ms >= latest.at_ms")


def latest_of(connection: Connection, battery_ids: Sequence[str]) -> dict[str, Assessment]:
    """Of each that has one, in one query: the row, moved on by a later reading if history has one that was judged."""
    t, b, h, newer = LATEST.c, BATTERIES.c, HISTORY.c, HISTORY.alias().c
    last = select(func.max(newer.at_ms)).where(newer.battery == t.battery, newer.at_ms > t.at_ms, newer.soc_cpct.is_not(None))
    moved = (h.battery == t.battery) & (h.at_ms == last.correlate(LATEST).scalar_subquery()) & h.soc_cpct.is_not(None)
    query = select(b.id, t.assessment, t.details, h.at_ms, h.voltage_mv, h.current_ma, h.temperature_dc, h.soc_cpct, h.belief)
    query = query.select_from(LATEST.join(BATTERIES, b.number == t.battery).outerjoin(HISTORY, moved)).order_by(h.sequence)
    wanted, found = set(battery_ids), {}
    for battery_id, text, details, *row in connection.execute(among(query, battery_ids)):
        if battery_id in wanted:
            assessment = record.loads(Assessment, f"{text[:-1]},{details}]")
            found[battery_id] = assessment if row[0] is None else assessed(assessment, row)
    return found
