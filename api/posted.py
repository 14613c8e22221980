"""What reached a process over HTTP that does not answer for the battery: kept in the ledger until the worker that reads its partition folds it.

Were the process to fold it itself, it would have to take the battery over, and the worker would end. Nothing is decoded or judged here.
"""

import asyncio
from collections.abc import Awaitable, Callable, Collection
from typing import NamedTuple

from sqlalchemy import select

from api.database import Database, DatabaseBusy, DatabaseFull
from api.execute import execute_each
from api.tables import BATTERIES, PARTITIONS, POSTED

EVERY_S = 1.0
MOST = 1_000
NOTE = ""
"""The format of a note: no entry of the settings' formats has this name."""


class Letter(NamedTuple):
    """Readings in one of the settings' formats, or a note."""

    number: int
    battery_id: str
    format: str
    payload: bytes
    received_ms: int


class Posted:
    """The letters. Any process may leave one; whoever answers for the battery takes it."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def has_worker(self, battery_id: str) -> bool:
        """Whether readings of this battery ever came through a partition, so that a worker answers for it."""
        p, b = PARTITIONS.c, BATTERIES.c
        query = select(p.battery).join(BATTERIES, b.number == p.battery).where(b.id == battery_id)
        with self._database.reading() as connection:
            return connection.execute(query).first() is not None

    def leave(self, battery_id: str, format_name: str, payload: bytes, received_ms: int) -> None:
        """On disk when it returns. Only for batteries that `has_worker` is true of."""
        sql = "INSERT INTO posted (battery, format, payload, received_ms) SELECT number, ?, ?, ? FROM batteries WHERE id = ?"
        with self._database.writing() as connection:
            execute_each(connection, sql, [(format_name, payload, received_ms, battery_id)])

    def waiting(self, battery_ids: Collection[str]) -> list[Letter]:
        """Those of these batteries, oldest first."""
        p, b = POSTED.c, BATTERIES.c
        query = select(p.number, b.id, p.format, p.payload, p.received_ms).join(BATTERIES, b.number == p.battery).order_by(p.number)
        with self._database.reading() as connection:
            return [Letter(n, i, f, bytes(w), at) for n, i, f, w, at in connection.execute(query.limit(MOST)) if i in battery_ids]

    def taken(self, number: int) -> None:
        """What was in the letter is kept."""
        with self._database.writing() as connection:
            execute_each(connection, "DELETE FROM posted WHERE number = ?", [(number,)])


async def collect(
    posted: Posted, mine: Callable[[], Collection[str]], fold: Callable[[Letter], Awaitable[bool]], every_s: float = EVERY_S
) -> None:
    """Fold what waits for the batteries that are mine, and throw a letter away once it is kept; until cancelled.

    `fold` says whether it was kept; folding a letter twice changes nothing.
    """
    while True:
        try:
            for letter in await asyncio.to_thread(posted.waiting, mine()):
                if not await fold(letter):
                    break
                await asyncio.to_thread(posted.taken, letter.number)
        except (DatabaseBusy, DatabaseFull):
            pass
        await asyncio.sleep(every_s)
