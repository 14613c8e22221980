"""A damaged database, at the start or while the service runs: it is kept aside, what can still be read is saved into a new one, and that is said.

Nothing is ever deleted here. Rows are copied table by table; within a table, rows before and after a damaged place are saved.
"""

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from api.backup import set_aside
from api.database import Database, DatabaseBusy, DatabaseDamaged
from api.tables import METADATA

QUICK_BYTES = 200_000_000
"""Up to this size the whole file is checked at the start (under a second); a larger one by its first pages, and whole by `check`. Judgement."""


class BeyondMending(RuntimeError):  # noqa: N818 - named for what happened
    """The file was damaged again and again; going on would only make more of the same."""


class Saved(NamedTuple):
    """What became of a damaged database."""

    why: str
    aside: Path
    rows: dict[str, int]
    """Rows saved by table."""
    damaged: tuple[str, ...]
    """Tables of which something could not be read."""

    def sentence(self) -> str:
        """For the person who starts the service."""
        readings = self.rows.get("history", 0)
        lost = f"Something could not be read of: {', '.join(self.damaged)}." if self.damaged else "Everything could be read."
        return (
            f"The database was damaged ({self.why}). It is kept as {self.aside}. A new one was begun with what could be saved: "
            f"{readings} readings, {self.rows.get('alerts', 0)} alerts, {self.rows.get('declarations', 0)} declarations. {lost}"
        )


def open_or_repair(database: Database) -> Saved | None:
    """Open the database; if it is damaged, set it aside, save what can be read into a new one and open that. None: it was sound."""
    if not database.sqlite:
        database.open()
        return None
    why = None
    try:
        database.open()
        if database.path.stat().st_size <= QUICK_BYTES:
            why = database.trouble()
    except DatabaseDamaged as e:
        why = str(e)
    except DatabaseBusy:
        raise
    return None if why is None else _repaired(database, why)


def _repaired(database: Database, why: str) -> Saved:
    aside = database.replaced(set_aside)
    rows, damaged = _save(aside, database)
    return Saved(why, aside, rows, tuple(damaged))


class Mender:
    """Damage that shows while the service runs: told from a fault that passes, mended as at a start, and not again and again."""

    MOST = 2
    """Judgement: a card that damages its file a third time in one run will do so a fourth time."""

    def __init__(self, database: Database, say: Callable[[str], None], forget: Callable[[], None]) -> None:
        """`say` hears what became of it; `forget` drops what was remembered of the old file."""
        self._database, self._say, self._forget = database, say, forget
        self.times = 0

    def __call__(self, e: Exception) -> None:
        """Called with what the store raised, in the thread that writes. Raises BeyondMending."""
        if not isinstance(e, DatabaseDamaged) or not self._database.sqlite:
            return
        try:
            why = self._database.trouble()
        except DatabaseDamaged as found:
            why = str(found)
        if why is None:
            return
        if self.times >= self.MOST:
            raise BeyondMending(
                f"{why}. It was mended {self.times} times since the start; the disk or card is failing: replace it, then restore a backup"
            )
        self.times += 1
        saved = _repaired(self._database, why)
        self._forget()
        self._say(saved.sentence())


def _save(aside: Path, database: Database) -> tuple[dict[str, int], list[str]]:
    rows: dict[str, int] = {}
    damaged: list[str] = []
    try:
        with closing(sqlite3.connect(f"file:{aside}?mode=ro", uri=True)) as old:
            old.execute("SELECT count(*) FROM sqlite_master").fetchone()
            for table in METADATA.sorted_tables:
                columns = [column.name for column in table.columns]
                key = [column.name for column in table.primary_key.columns]
                sql = f"INSERT OR IGNORE INTO {table.name} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"  # noqa: S608
                rows[table.name] = 0
                whole: list[bool] = []
                for part in _readable(old, table.name, columns, key, whole):
                    with database.writing() as connection:
                        connection.exec_driver_sql(sql, part)
                    rows[table.name] += len(part)
                if not all(whole):
                    damaged.append(table.name)
    except sqlite3.DatabaseError:
        damaged = [table.name for table in METADATA.sorted_tables if not rows.get(table.name)]
    return rows, damaged


def _readable(
    old: sqlite3.Connection, table: str, columns: list[str], key: list[str], whole: list[bool]
) -> Iterator[list[tuple[object, ...]]]:
    """Rows in parts, from the beginning up to the damage, then from the end back to it."""
    for order in ("", " DESC"):
        part: list[tuple[object, ...]] = []
        by = ", ".join(f"{name}{order}" for name in key)
        try:
            for row in old.execute(f"SELECT {', '.join(columns)} FROM {table} ORDER BY {by}"):  # noqa: S608
                part.append(row)
                if len(part) == 2000:
                    yield part
                    part = []
            whole.append(True)
        except sqlite3.DatabaseError:
            whole.append(False)
        if part:
            yield part
        if whole[-1]:
            break
