"""The simple parts of a batch: notes, dead letters, quarantine, and whose it is. Inside the caller's transaction."""

import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import chain
from typing import Any

from sqlalchemy import Connection, delete, func, select

from analytics.batch import Batch, DeadLetter, Quarantined
from analytics.reading import Note, Reading
from api import record
from api.execute import execute_each, upsert
from api.facts import count_up
from api.tables import BATTERIES, DEAD_LETTERS, NOTES, QUARANTINE

MAX_DEAD_LETTERS = 10_000
"""Judgement: 40 MB at the longest; enough to see a pattern, bounded so that a noisy line cannot fill a card."""
MAX_QUARANTINED = 100_000
"""Judgement: a month of minutes and more; bounded for the same reason."""


class Fenced(RuntimeError):  # noqa: N818 - named for what happened
    """Another worker has taken a battery over: nothing of the batch was kept, and this worker must let go of it."""


def battery_ids(batch: Batch) -> Iterable[str]:
    """Of every part; the same may come often, for whoever only looks them up."""
    return chain(
        (reading[0] for pairs in (batch.kept, batch.refolded) for reading, _ in pairs),
        (event.battery_id for events in (batch.events, batch.late_events) for event in events),
        (part.battery_id for parts in (batch.notes, batch.checkpoints, batch.released) for part in parts),
        batch.news,
        (q.reading.battery_id for q in batch.quarantined),
    )


def check_fences(connection: Connection, numbers: dict[str, int], fences: Mapping[str, int]) -> None:
    if not fences:
        return
    b = BATTERIES.c
    query = select(b.number, b.fence).where(b.number.in_([numbers[i] for i in fences if i in numbers])).order_by(b.number)
    held: dict[int, int] = dict(connection.execute(query.with_for_update()).all())
    for battery_id, fence in fences.items():
        if battery_id in numbers and held.get(numbers[battery_id]) != fence:
            raise Fenced(f"battery {battery_id}: another worker has taken it over; nothing of this batch was kept")


def keep_notes(connection: Connection, notes: Sequence[Note], numbers: dict[str, int]) -> None:
    made = [(numbers[n.battery_id], n.at_ms, n.kind, None if n.value is None else json.dumps(n.value), n.who) for n in notes]
    execute_each(connection, upsert(NOTES, "battery", "at_ms", "kind", renew=False), made)


def note_of(battery_id: str, row: Sequence[Any]) -> Note:
    """`row`: time, kind, value, who."""
    at_ms, kind, value, who = row
    return Note(battery_id, at_ms, kind, None if value is None else json.loads(value), who)


def keep_dead_letters(connection: Connection, letters: Sequence[DeadLetter]) -> None:
    """The newest are kept; how many came in all is counted."""
    if not letters:
        return
    sql = "INSERT INTO dead_letters (at_ms, source, reason, raw) VALUES (?, ?, ?, ?)"
    execute_each(connection, sql, [(letter.at_ms, letter.source, letter.reason, letter.raw[:4096]) for letter in letters])
    newest = connection.execute(select(func.max(DEAD_LETTERS.c.number))).scalar_one()
    connection.execute(delete(DEAD_LETTERS).where(DEAD_LETTERS.c.number <= newest - MAX_DEAD_LETTERS))
    count_up(connection, "dead_letters_ever", len(letters))


def quarantine(connection: Connection, quarantined: Sequence[Quarantined], released: Sequence[Reading], numbers: dict[str, int]) -> None:
    made = []
    for reading, received_ms, reason in quarantined:
        made.append((numbers[reading.battery_id], reading.at_ms, reading.sequence, received_ms, reason, record.dumps(reading)))
    execute_each(connection, upsert(QUARANTINE, "battery", "at_ms", "sequence", renew=False), made)
    keys = [(numbers[r.battery_id], r.at_ms, r.sequence) for r in released]
    execute_each(connection, "DELETE FROM quarantine WHERE battery = ? AND at_ms = ? AND sequence = ?", keys)
    if made:
        count = connection.execute(select(func.count()).select_from(QUARANTINE)).scalar_one()
        if count > MAX_QUARANTINED:
            q = QUARANTINE.c
            edge = connection.execute(select(q.received_ms).order_by(q.received_ms).offset(count - MAX_QUARANTINED).limit(1)).scalar_one()
            gone = connection.execute(delete(QUARANTINE).where(q.received_ms < edge)).rowcount
            count_up(connection, "quarantine_dropped", gone)
