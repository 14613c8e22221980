"""What continues the folds of many batteries, read in a handful of queries: a worker that takes a partition over has thousands to load.

Nothing is claimed and nothing is folded here. One by one the same took some 15 questions to the database a battery (measured: 48 ms each on a
busy machine, which is twenty minutes for a partition of 25,000).
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from sqlalchemy import Connection, select

from analytics.reading import Note, Reading
from api import ledger_alerts
from api.execute import marked
from api.history.codes import reading_of
from api.ledger_batch import note_of
from api.ports import Alert
from api.tables import NEWEST_CHECKPOINTS, NOTES

MOST_READINGS = 2_000
"""Of a battery; judgement: more than lie between two checkpoints. Whoever has more is read piece by piece as usual."""
MOST_ALERTS = 100_000

_TAIL = (
    "SELECT * FROM (SELECT battery, at_ms, sequence, voltage_mv, current_ma, temperature_dc, charge_mah FROM history"
    " WHERE battery = ? AND at_ms >= ? ORDER BY at_ms, sequence LIMIT ?) AS tail"
)


class Past(NamedTuple):
    """What is kept of one battery from its newest checkpoint on."""

    checkpoint: tuple[int, bytes] | None
    from_ms: int
    """Where the rest begins."""
    readings: list[Reading] | None
    """None: too many to be read at once."""
    notes: list[Note]
    alerts: list[Alert]
    """Those that have not ended."""


def pasts(connection: Connection, ids: Mapping[int, str]) -> dict[str, Past]:
    """`ids`: number → id of the batteries, at most a few hundred."""
    c = NEWEST_CHECKPOINTS.c
    found = connection.execute(select(c.battery, c.at_ms, c.state).where(c.battery.in_(ids)))
    checkpoints = {battery: (at_ms, bytes(state)) for battery, at_ms, state in found}
    from_ms = {number: checkpoints[number][0] + 1 if number in checkpoints else 0 for number in ids}
    readings, notes, alerts = _tails(connection, ids, from_ms), _notes(connection, ids, from_ms), _alerts(connection, list(ids.values()))
    return {
        battery_id: Past(checkpoints.get(number), from_ms[number], readings[number], notes[number], alerts[battery_id])
        for number, battery_id in ids.items()
    }


def _tails(connection: Connection, ids: Mapping[int, str], from_ms: Mapping[int, int]) -> dict[int, list[Reading] | None]:
    """A select for each battery in one statement: so each goes down the key, whatever the planner thinks of the table."""
    tails: dict[int, list[Reading]] = {number: [] for number in ids}
    values = tuple(value for number in ids for value in (number, from_ms[number], MOST_READINGS + 1))
    for battery, *row in connection.exec_driver_sql(marked(connection, " UNION ALL ".join([_TAIL] * len(ids))), values):
        tails[battery].append(reading_of(ids[battery], row))
    for tail in tails.values():
        tail.sort(key=lambda reading: (reading.at_ms, reading.sequence))
    return {number: tail if len(tail) <= MOST_READINGS else None for number, tail in tails.items()}


def _notes(connection: Connection, ids: Mapping[int, str], from_ms: Mapping[int, int]) -> dict[int, list[Note]]:
    n = NOTES.c
    notes: dict[int, list[Note]] = {number: [] for number in ids}
    query = select(n.battery, n.at_ms, n.kind, n.value, n.who).where(n.battery.in_(ids)).order_by(n.at_ms, n.kind)
    for battery, *row in connection.execute(query):
        if row[0] >= from_ms[battery]:
            notes[battery].append(note_of(ids[battery], row))
    return notes


def _alerts(connection: Connection, battery_ids: Sequence[str]) -> dict[str, list[Alert]]:
    alerts: dict[str, list[Alert]] = {battery_id: [] for battery_id in battery_ids}
    for alert in ledger_alerts.find(connection, battery_ids, True, None, None, MOST_ALERTS):
        alerts[alert.battery_id].append(alert)
    return alerts
