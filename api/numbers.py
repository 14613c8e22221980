"""Battery ids as the small numbers that the tables use. Learned once per process; an unknown id gets a number when it is first kept."""

from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import Connection, Select, select

from api.database import Database
from api.execute import execute_each
from api.tables import BATTERIES


class Numbers:
    """A cache in front of the table of batteries. Numbers never change and are never given twice."""

    def __init__(self) -> None:
        self._numbers: dict[str, int] = {}

    def of(self, connection: Connection, battery_ids: Iterable[str]) -> dict[str, int]:
        """The number of each, given now where there is none, in the caller's transaction (then `forget` if it fails)."""
        numbers = self._numbers
        missing = sorted({battery_id for battery_id in battery_ids if battery_id not in numbers})
        if missing:
            self._ask(connection, missing)
            if new := [(battery_id,) for battery_id in missing if battery_id not in numbers]:
                execute_each(connection, "INSERT INTO batteries (id) VALUES (?) ON CONFLICT (id) DO NOTHING", new)
                self._ask(connection, missing)
        return numbers

    def _ask(self, connection: Connection, battery_ids: Sequence[str]) -> None:
        """In one query: a fleet's worth of single ones would hold up the first commit for seconds."""
        for battery_id, number in connection.execute(among(select(BATTERIES.c.id, BATTERIES.c.number), battery_ids)):
            self._numbers[battery_id] = number

    def known(self, database: Database, battery_id: str) -> int | None:
        """The number if the battery has one; asks the database where this process does not know it."""
        if battery_id not in self._numbers:
            with database.reading() as connection:
                number = connection.execute(select(BATTERIES.c.number).where(BATTERIES.c.id == battery_id)).scalar_one_or_none()
            if number is None:
                return None
            self._numbers[battery_id] = number
        return self._numbers[battery_id]

    def forget(self) -> None:
        """A transaction that gave numbers was rolled back."""
        self._numbers.clear()


MOST_NAMED = 500
"""Judgement: of more ids than these, asking for all rows and choosing afterwards is as quick, and no driver's limit is met."""


def among(query: Select[Any], battery_ids: Sequence[str]) -> Select[Any]:
    """The query for these batteries only; for all where they are many: then the caller chooses."""
    return query.where(BATTERIES.c.id.in_(battery_ids)) if len(battery_ids) <= MOST_NAMED else query
