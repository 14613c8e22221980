"""Two functions so that the same written SQL runs by executemany on SQLite and PostgreSQL with plain tuples."""

from collections.abc import Sequence
from functools import cache
from typing import Any

from sqlalchemy import Connection, Table


def execute_each(connection: Connection, sql: str, rows: Sequence[tuple[Any, ...]]) -> None:
    """Run SQL with `?` marks once per row; nothing for no rows."""
    if rows:
        connection.exec_driver_sql(marked(connection, sql), list(rows))


@cache
def upsert(table: Table, *key: str, renew: bool = True) -> str:
    """INSERT of all columns; where the key is there already, the rest is renewed or (renew=False) left as it was."""
    names = [column.name for column in table.columns]
    rest = ", ".join(f"{name} = excluded.{name}" for name in names if name not in key)
    then = f"DO UPDATE SET {rest}" if renew else "DO NOTHING"
    return f"INSERT INTO {table.name} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))}) ON CONFLICT ({', '.join(key)}) {then}"  # noqa: S608


def marked(connection: Connection, sql: str) -> str:
    """SQL written with `?` marks as the driver wants it."""
    return sql if connection.dialect.name == "sqlite" else sql.replace("%", "%%").replace("?", "%s")
