"""Hears what other processes declare on the same database, so that a worker judges by a changed declaration without a restart.

It only looks, every few seconds; nothing is written. What is declared in this process is told to its loop directly, without it.
"""

import asyncio
from collections.abc import Callable

from sqlalchemy import select

from api.database import Database, DatabaseBusy
from api.tables import BATTERIES, DECLARATIONS

EVERY_S = 5.0
AGAIN = 100
"""So many of the last numbers are looked at again: two transactions may commit in another order than they took their numbers."""


class Declarations:
    """What was declared since it was last asked."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._seen: set[int] = set()
        self._last: int | None = None

    def news(self) -> list[str]:
        """The batteries that were declared since the last call; nothing at the first."""
        d, b = DECLARATIONS.c, BATTERIES.c
        query = select(d.number, b.id).join(BATTERIES, b.number == d.battery).order_by(d.number.desc())
        query = query.limit(AGAIN) if self._last is None else query.where(d.number > self._last - AGAIN)
        with self._database.reading() as connection:
            found = connection.execute(query).all()
        first = self._last is None
        fresh = [] if first else sorted({battery_id for number, battery_id in found if number not in self._seen})
        self._last = max((number for number, _ in found), default=self._last or 0)
        self._seen = {number for number, _ in found}
        return fresh


async def follow(declarations: Declarations, declared: Callable[[str], None], every_s: float = EVERY_S) -> None:
    """Tell `declared` of each battery, in the event loop's thread, until cancelled. A database that is away is asked again."""
    while True:
        try:
            for battery_id in await asyncio.to_thread(declarations.news):
                declared(battery_id)
        except DatabaseBusy:
            pass
        await asyncio.sleep(every_s)
