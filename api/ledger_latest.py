"""The newest assessment of each battery: its details in a row of their own, what moves with each reading out of history.

A reading and what was believed with it are in history already. So the row is written only when it says something that history does not: new
details, a new anchor, time that went by without a reading. That spares each battery a page a commit, which is most of what a fleet writes.
Details that tell a person nothing new wait for hours (analytics.gist): saying them and keeping them costs more than the reading did. The
sentences are said by whoever reads. Inside the caller's transaction.
"""

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, func, select

from analytics.assessment import Anchor, Assessment, Details, Untold
from analytics.batch import Batch
from analytics.gist import Gist
from api import record
from api.execute import conflict, execute_each, insert_each
from api.history.codes import assessed
from api.numbers import among
from api.tables import BATTERIES, HISTORY, LATEST

STAGGER_MS = 7_919_000
"""Each battery's turn to have its details kept anew is at another moment, or those of a fleet would all come at once: a prime number of seconds
apart from its neighbour's."""


class Written(NamedTuple):
    """What a battery's row says."""

    told: Details | Untold
    """The newest details, whether the row has them or they read as those that it has."""
    anchor: Anchor | None
    at_ms: int
    gist: Gist | None
    """Of the details in the row; None: new ones are always written."""
    details_ms: int


class Latest:
    """Remembers per battery what its row says, so that a commit need not ask."""

    def __init__(self) -> None:
        self._written: dict[str, Written] = {}

    def forget(self, battery_id: str) -> None:
        """Another process may have written: the next row is written whole."""
        self._written.pop(battery_id, None)

    def keep(self, connection: Connection, batch: Batch, numbers: dict[str, int]) -> None:
        """Write the rows of the batch's news. If the transaction fails, what is remembered is wrong: begin anew."""
        written, whole, moved = self._written, [], []
        moving = {id(assessment) for _, assessment in batch.kept}
        for battery_id, assessment in batch.news.items():
            anchor, told, at_ms, pct = assessment.anchor, assessment.told, assessment.at_ms, assessment.state_of_charge_pct
            before = written.get(battery_id)
            if before is not None and before.anchor is anchor and before.at_ms < at_ms and pct is not None and id(assessment) in moving:
                if before.told is told:
                    continue
                if _serves(before, assessment, numbers[battery_id]):
                    written[battery_id] = before._replace(told=told)
                    continue
            text = record.dumps(assessment[:-1])
            if before is not None and before.told is told:
                moved.append((at_ms, text, numbers[battery_id], at_ms))
                written[battery_id] = before._replace(anchor=anchor, at_ms=at_ms)
            else:
                details, gist = (told.passing(), told.gist) if type(told) is Untold else (told, None)
                whole.append((numbers[battery_id], at_ms, text, record.dumps(details)))
                written[battery_id] = Written(told, anchor, at_ms, gist, told.at_ms)
        execute_each(connection, "UPDATE latest SET at_ms = ?, assessment = ? WHERE battery = ? AND at_ms <= ?", moved)
        insert_each(connection, LATEST, whole, conflict(LATEST, "battery") + " WHERE excluded.at_ms >= latest.at_ms")


def _serves(before: Written, assessment: Assessment, number: int) -> bool:
    """Whether the details in the row still tell a person what the assessment's would."""
    told, kept = assessment.told, before.gist
    if type(told) is not Untold or kept is None or told.gist is None or not told.gist.still_told_by(kept, assessment.at_ms):
        return False
    turn_ms = number * STAGGER_MS
    return (assessment.at_ms + turn_ms) // kept.serves_ms == (before.details_ms + turn_ms) // kept.serves_ms


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
