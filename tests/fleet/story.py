"""What the tortured fleet sends and what must come of it: the same readings, written for the gateways and folded by one undisturbed process."""

import json
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import text

from analytics import keep
from analytics.assessment import AlertEvent, Assessment
from analytics.batch import Batch
from analytics.battery import Battery
from analytics.core import begin
from analytics.fold import fold
from analytics.reading import Reading, on_the_grid
from api import record
from api.database import Database
from api.history.codes import Row, rows
from api.ledger import SqlLedger
from ingest.folding import Folding
from ingest.reconcile import REASON
from simulators import fleet
from simulators.stored import as_json
from tests.fleet.worker import decoder
from tests.torture.books import wrong_in

EVERY_S = 120.0
"""Of the story: hours in less than a minute, so that alerts begin and end."""
BEGAN_S = 1_790_000_000.0

Event = tuple[str, str, int]
"""Alert id, kind, time."""


def batteries(count: int, seed: int) -> list[Battery]:
    return [Battery(**fleet.declared(number, seed)) for number in range(count)]


def write(path: Path, count: int, readings: int, seed: int) -> int:
    """Lines of [battery, payload], in the order in which they are sent; gives their number."""
    vehicles = [fleet.vehicle(number, seed, EVERY_S) for number in range(count)]
    written = 0
    with path.open("w") as out:
        for k in range(readings):
            for vehicle in vehicles:
                sample = vehicle.sample(vehicle.advance(EVERY_S))
                if sample is not None:
                    out.write(json.dumps([vehicle.name, as_json(BEGAN_S + k * EVERY_S, sample, vehicle.sequence).decode()]) + "\n")
                    written += 1
    return written


class Truth(NamedTuple):
    """What one undisturbed fold of a battery's readings gives."""

    pairs: list[tuple[Reading, Assessment]]
    state: bytes
    events: set[Event]


def truth(path: Path, declared: list[Battery]) -> dict[str, Truth]:
    """The fold, straight from the lines the gateways were given."""
    sent: dict[str, list[Reading]] = {battery.id: [] for battery in declared}
    for battery_id, payload in _lines(path):
        decode = decoder(battery_id)
        for reading in [*decode.feed(payload, 0), *decode.end(0)]:
            assert type(reading) is Reading, reading
            sent[battery_id].append(on_the_grid(reading))
    return {battery.id: _truth(battery, sent[battery.id]) for battery in declared}


def _truth(battery: Battery, readings: list[Reading]) -> Truth:
    pairs, events, newest = [], set(), begin(battery)
    for state, given, outcome in fold(begin(battery), readings):
        newest = state
        events.update((e.alert_id, e.kind, e.at_ms) for e in outcome.events)
        if type(given) is Reading:
            pairs.append((given, outcome.assessment))
    return Truth(pairs, keep.dumps(newest), events)


def _lines(path: Path) -> Iterator[tuple[str, bytes]]:
    with path.open() as lines:
        for line in lines:
            battery_id, payload = json.loads(line)
            yield battery_id, payload.encode()


class Compared(NamedTuple):
    """How what the fleet kept differs from the truth; all zero is what must be."""

    expected: int
    kept: int
    lost: int
    doubled: int
    """Readings in history that nobody sent, or events told under a second time."""
    beliefs_differ: int
    states_differ: int
    alerts_differ: int
    taken_back: int
    """Alerts of which something was told while readings were missing and taken back, aloud, when these came: allowed as tests.torture.books says."""

    @property
    def equal(self) -> bool:
        return not (self.lost or self.doubled or self.beliefs_differ or self.states_differ or self.alerts_differ)


def compare(database: Database, told: dict[str, Truth]) -> Compared:
    """History row by row, states byte by byte, events one by one."""
    ledger = SqlLedger(database)
    with database.reading() as connection:
        numbers: dict[str, int] = {row.id: row.number for row in connection.execute(text("SELECT id, number FROM batteries"))}
        found: set[Row] = {tuple(row) for row in connection.execute(text("SELECT * FROM history"))}  # type: ignore[misc]
        said = [record.loads(AlertEvent, event) for event in connection.execute(text("SELECT event FROM outbox ORDER BY number")).scalars()]
    true_rows = {row for t in told.values() for row in rows(t.pairs, numbers)}
    true_keys, found_keys = {row[:3] for row in true_rows}, {row[:3] for row in found}
    true_events = {event for t in told.values() for event in t.events}
    folding = Folding(ledger)
    states = 0
    for battery_id, t in told.items():
        live = folding.load(battery_id, Batch())
        states += live is None or keep.dumps(live.base) != t.state
    back = {event.alert_id for event in said if event.reason == REASON}
    wrong_events = {e for e in {(e.alert_id, e.kind, e.at_ms) for e in said} ^ true_events if e[0] not in back}
    last_ms = max(row[1] for row in true_rows)
    wrong_back = wrong_in(Counter(e for e in true_events if e[0] in back), [e for e in said if e.alert_id in back], last_ms)
    return Compared(
        len(true_rows), len(found), len(true_keys - found_keys), len(found_keys - true_keys),
        len({r for r in true_rows - found if r[:3] in found_keys}), states, len(wrong_events) + len(wrong_back), len(back),
    )  # fmt: skip
