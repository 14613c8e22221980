"""Brings committed readings from the ledger's database to a second history. That database is the queue: nothing waits in memory only.

Each commit marks the hours it changed, in its own transaction (`mark`). Here they are sent, and a mark goes only once its hour was taken
and did not change meanwhile. Sending again changes nothing there. What cannot be sent waits, however long, and `part` says so.
"""

import threading
from collections.abc import Callable, Mapping
from typing import Protocol
from uuid import uuid4

from sqlalchemy import Connection, text

from analytics.batch import Batch
from api.database import Database, DatabaseBusy, DatabaseFull
from api.execute import execute_each, marked
from api.facts import fact, keep_fact
from api.health import Part
from api.history.codes import Row
from api.history.influx_server import HistoryAway, HistoryRefused

HOUR_MS = 3_600_000
AT_ONCE = 200
"""Hours looked at in one go."""
LEASE_MS = 30_000
"""How long one process sends for all; after a crash another goes on after so long."""
IDLE_S, LONGEST_WAIT_S = 2.0, 300.0
REFUSED_AGAIN_MS = 3_600_000
"""An hour that holds a refused line is tried again after an hour: somebody may have put it right on the server."""

_LEAST = "CASE WHEN excluded.from_ms < unsent.from_ms THEN excluded.from_ms ELSE unsent.from_ms END"
_MARK = (
    "INSERT INTO unsent (battery, at_ms, from_ms, version) VALUES (?, ?, ?, 1)"  # noqa: S608 - our own words only
    f" ON CONFLICT (battery, at_ms) DO UPDATE SET from_ms = {_LEAST}, version = unsent.version + 1"
)


class Target(Protocol):
    """A history that takes rows of the SQL history."""

    def write(self, battery_id: str, made: list[Row]) -> None:
        """Raises HistoryAway or HistoryRefused."""


def mark(connection: Connection, batch: Batch, numbers: Mapping[str, int]) -> None:
    """Mark the hours that this batch changes; in the transaction of its commit."""
    earliest: dict[tuple[int, int], int] = {}
    for pairs in (batch.kept, batch.refolded):
        for reading, _ in pairs:
            key = numbers[reading.battery_id], reading.at_ms // HOUR_MS * HOUR_MS
            if reading.at_ms < earliest.get(key, 1 << 62):
                earliest[key] = reading.at_ms
    execute_each(connection, _MARK, [(*key, from_ms) for key, from_ms in sorted(earliest.items())])


def mark_all(database: Database) -> int:
    """Mark everything there is: for a second history that begins empty. Gives the number of hours."""
    sql = f"SELECT battery, at_ms / {HOUR_MS} * {HOUR_MS} AS hour_ms, min(at_ms) FROM history GROUP BY battery, hour_ms"  # noqa: S608
    with database.writing() as connection:
        found = [tuple(row) for row in connection.exec_driver_sql(sql).all()]
        execute_each(connection, _MARK, found)
    return len(found)


class Forwarder:
    """One thread. Of several processes on the same database only one sends at a time."""

    def __init__(
        self, database: Database, target: Target, now_ms: Callable[[], int], say: Callable[[str], None] = lambda text: None
    ) -> None:
        self._database, self._target, self._now_ms, self._say = database, target, now_ms, say
        self._owner = uuid4().hex
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)
        self._refused: dict[tuple[int, int], int] = {}
        self._ids: dict[int, str] = {}
        self._wait_s = IDLE_S
        self.sent = 0
        """Readings sent since the start."""
        self.trouble = ""
        """Why nothing can be sent now; empty while all is well."""

    def start(self) -> None:
        self._thread.start()

    def stop(self, wait_s: float = 15.0) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(wait_s)

    def part(self) -> Part:
        """For /readyz: the service is of use without the second history, and says that it lags."""
        if self.trouble:
            return Part(
                "history", False, f"{self.trouble}. Readings wait in the ledger's database and are sent once it takes them.", needed=False
            )
        if self._refused:
            return Part("history", False, f"{len(self._refused)} hours hold a reading that the history refuses; see the log.", needed=False)
        return Part("history", True, "Readings are sent to the history.", needed=False)

    def waiting(self) -> int:
        """Hours that are not sent yet."""
        with self._database.reading() as connection:
            return int(connection.execute(text("SELECT count(*) FROM unsent")).scalar_one())

    def work(self) -> bool:
        """Send what waits, oldest marks first; True if there may be more. Never raises for what passes by itself."""
        try:
            return self._leased() and self._send()
        except HistoryAway as e:
            self._trouble(str(e), e.retry_after_s)
        except (DatabaseBusy, DatabaseFull) as e:
            self._trouble(str(e), None)
        return False

    def _run(self) -> None:
        while not self._stopping.is_set():
            if not self.work():
                self._stopping.wait(self._wait_s if self.trouble else IDLE_S)

    def _trouble(self, why: str, retry_after_s: float | None) -> None:
        if why != self.trouble:
            self._say(why)
        self.trouble = why
        self._wait_s = retry_after_s if retry_after_s is not None else min(LONGEST_WAIT_S, self._wait_s * 2)

    def _leased(self) -> bool:
        """Whether this process may send now: it did before, or whoever did has not been heard of for a while."""
        now_ms = self._now_ms()
        with self._database.reading() as connection:
            held = fact(connection, "history_sender") or ["", 0]
        if held[0] != self._owner and held[1] > now_ms:
            return False
        if held[0] != self._owner or held[1] < now_ms + LEASE_MS // 2:
            with self._database.writing() as connection:
                keep_fact(connection, "history_sender", [self._owner, now_ms + LEASE_MS])
        return True

    def _send(self) -> bool:
        now_ms = self._now_ms()
        sql = "SELECT battery, at_ms, from_ms, version FROM unsent ORDER BY at_ms DESC LIMIT ?"
        with self._database.reading() as connection:
            found = connection.exec_driver_sql(marked(connection, sql), (AT_ONCE + len(self._refused),)).all()
        found = [row for row in found if self._refused.get((row[0], row[1]), 0) <= now_ms]
        for battery, hour_ms, from_ms, version in found:
            if self._stopping.is_set():
                return False
            try:
                self._send_hour(battery, hour_ms, from_ms)
            except HistoryRefused as e:
                self._say(str(e))
                self._refused[battery, hour_ms] = now_ms + REFUSED_AGAIN_MS
                continue
            self._refused.pop((battery, hour_ms), None)
            with self._database.writing() as connection:
                sql = "DELETE FROM unsent WHERE battery = ? AND at_ms = ? AND version = ?"
                connection.exec_driver_sql(marked(connection, sql), (battery, hour_ms, version))
        self.trouble, self._wait_s = "", IDLE_S
        return len(found) >= AT_ONCE

    def _send_hour(self, battery: int, hour_ms: int, from_ms: int) -> None:
        sql = (
            "SELECT battery, at_ms, sequence, voltage_mv, current_ma, temperature_dc, charge_mah, soc_cpct, belief FROM history"
            " WHERE battery = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms, sequence"
        )
        with self._database.reading() as connection:
            rows: list[Row] = [tuple(r) for r in connection.exec_driver_sql(marked(connection, sql), (battery, from_ms, hour_ms + HOUR_MS))]
            if battery not in self._ids:
                self._ids[battery] = connection.execute(text("SELECT id FROM batteries WHERE number = :n"), {"n": battery}).scalar_one()
        self._target.write(self._ids[battery], rows)
        self.sent += len(rows)
