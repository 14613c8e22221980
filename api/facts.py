"""Small facts by name, as JSON: counters, cursors, when something was last done. Inside the caller's transaction."""

import json
from typing import Any

from sqlalchemy import Connection, select

from api.execute import execute_each, upsert
from api.tables import META


def fact(connection: Connection, key: str) -> Any:
    """A small fact by name; None if it was never kept."""
    text = connection.execute(select(META.c.value).where(META.c.key == key)).scalar_one_or_none()
    return None if text is None else json.loads(text)


def keep_fact(connection: Connection, key: str, value: Any) -> None:
    execute_each(connection, upsert(META, "key"), [(key, json.dumps(value))])


def count_up(connection: Connection, key: str, more: int) -> None:
    """A counter that only grows."""
    keep_fact(connection, key, (fact(connection, key) or 0) + more)
