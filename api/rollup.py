"""Roll-ups: readings joined to one minute and to one hour (count, sum, least, greatest, last), and letting go of what is old.

Each hour is rolled up as a whole from its readings once it is over, and again when late readings came: the mark in `unrolled`
is set by whoever writes history and taken away in the transaction that rolls up, so each reading counts exactly once.
An hour whose raw readings were let go gets its late ones added, and these are then let go too. What is kept of an hour is
said in its `detail` (api.history.sources).
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, select

from api.database import Database
from api.execute import execute_each, marked, upsert
from api.history.codes import HIGH_SQL, LOW_SQL, PHASE_SQL
from api.history.sources import HOUR_MS, HOUR_ONLY, MINUTE_MS, MINUTES, RAW, SPARSE
from api.history.sql import QUANTITIES, take_mark
from api.tables import HISTORY_HOUR, HISTORY_MINUTE, UNROLLED

AT_ONCE = 5_000
"""Readings rolled up in one transaction; judgement: the loop of ingest waits some tens of milliseconds for it at most."""
SETTLE_MS = 60_000
"""An hour is rolled up a minute after its end, when its last readings are in."""

Row = tuple[Any, ...]
"""As the columns of a roll-up table: battery, at_ms, n, last_ms; n, sum, min, max, last of each quantity; low, high, phase."""


def roll(database: Database, now_ms: int, at_once: int = AT_ONCE) -> int:
    """Roll up some hours that are over, oldest first, in one transaction; how many. 0: nothing is left to do."""
    u = UNROLLED.c
    over = select(u.battery, u.at_ms).where(u.at_ms <= now_ms - HOUR_MS - SETTLE_MS).order_by(u.at_ms, u.battery).limit(1000)
    with database.reading() as connection:
        if not connection.execute(over.limit(1)).first():
            return 0
    done = readings = 0
    with database.writing() as connection:
        for battery, hour_ms in connection.execute(over.with_for_update(skip_locked=True)).all():
            readings += roll_hour(connection, battery, hour_ms)
            done += 1
            if readings >= at_once:
                break
    return done


def roll_hour(connection: Connection, battery: int, hour_ms: int) -> int:
    """Make the hour's roll-ups true; how many readings were looked at."""
    detail = _detail(connection, battery, hour_ms)
    count = _rewrite(connection, battery, hour_ms) if detail == RAW else _add_late(connection, battery, hour_ms, detail)
    take_mark(connection, battery, hour_ms)
    return count


def _rewrite(connection: Connection, battery: int, hour_ms: int) -> int:
    end_ms = hour_ms + HOUR_MS
    hours = joined(connection, battery, hour_ms, end_ms, HOUR_MS)
    count: int = hours[0][2] if hours else 0
    _delete(connection, "history_minute", battery, hour_ms, end_ms)
    if count >= SPARSE:
        execute_each(connection, _MINUTES_SQL, joined(connection, battery, hour_ms, end_ms, MINUTE_MS))
    execute_each(connection, _HOURS_SQL, [(*row, RAW) for row in hours])
    return count


def _add_late(connection: Connection, battery: int, hour_ms: int, detail: int) -> int:
    """Late readings of an hour whose raw readings were let go: added to what is kept of it, then let go too."""
    end_ms = hour_ms + HOUR_MS
    if detail == MINUTES:
        known = {row[1]: tuple(row) for row in _rolled(connection, "history_minute", battery, hour_ms, end_ms)}
        late = joined(connection, battery, hour_ms, end_ms, MINUTE_MS)
        execute_each(connection, _MINUTES_SQL, [row if row[1] not in known else merged(known[row[1]], row) for row in late])
    (hour,) = _rolled(connection, "history_hour", battery, hour_ms, end_ms)
    late = joined(connection, battery, hour_ms, end_ms, HOUR_MS)
    execute_each(connection, _HOURS_SQL, [(*merged(tuple(hour)[:-1], row), detail) for row in late])
    _delete(connection, "history", battery, hour_ms, end_ms)
    return sum(row[2] for row in late)


def let_go(database: Database, battery: int, before_ms: int, sparse_before_ms: int, at_once: int = AT_ONCE) -> int:
    """Let go of some of a battery's oldest raw readings before a time, or before another in hours that have no minutes; how many hours.

    Rows are deleted before any is written, so that it works on a full disk too.
    """
    with database.writing() as connection:
        done = _let_fresh_go(connection, battery, before_ms, sparse_before_ms)
        sql = (
            "SELECT at_ms, n FROM history_hour WHERE battery = ? AND detail = ? AND"
            " ((n >= ? AND at_ms <= ?) OR (n < ? AND at_ms <= ?)) ORDER BY at_ms LIMIT 1000"
        )
        given = (battery, RAW, SPARSE, before_ms - HOUR_MS, SPARSE, sparse_before_ms - HOUR_MS)
        count = hours = 0
        for hour_ms, n in connection.exec_driver_sql(marked(connection, sql), given).all():
            _delete(connection, "history", battery, hour_ms, hour_ms + HOUR_MS)
            _keep_detail(connection, battery, hour_ms, MINUTES if n >= SPARSE else HOUR_ONLY)
            hours, count = hours + 1, count + n
            if count >= at_once:
                break
    return hours + done


def _let_fresh_go(connection: Connection, battery: int, before_ms: int, sparse_before_ms: int) -> int:
    """Hours that are old but not rolled up yet, as after a long backlog: read, deleted, and only then written as roll-ups."""
    sql = "SELECT at_ms FROM unrolled WHERE battery = ? AND at_ms <= ? ORDER BY at_ms LIMIT 100"
    given = (battery, max(before_ms, sparse_before_ms) - HOUR_MS)
    minutes: list[Row] = []
    hours: list[Row] = []
    done = 0
    for hour_ms in list(connection.exec_driver_sql(marked(connection, sql), given).scalars()):
        if _detail(connection, battery, hour_ms) != RAW:
            roll_hour(connection, battery, hour_ms)
            done += 1
            continue
        end_ms = hour_ms + HOUR_MS
        found = joined(connection, battery, hour_ms, end_ms, HOUR_MS)
        dense = bool(found) and found[0][2] >= SPARSE
        if end_ms > (before_ms if dense else sparse_before_ms):
            continue
        minutes += joined(connection, battery, hour_ms, end_ms, MINUTE_MS) if dense else []
        hours += [(*row, MINUTES if dense else HOUR_ONLY) for row in found]
        for table in ("history", "history_minute"):
            _delete(connection, table, battery, hour_ms, end_ms)
        take_mark(connection, battery, hour_ms)
        done += 1
    execute_each(connection, _MINUTES_SQL, minutes)
    execute_each(connection, _HOURS_SQL, hours)
    return done


def let_minutes_go(database: Database, battery: int, before_ms: int) -> int:
    """Let go of minutes before a time whose raw readings have gone before; the hours stay. How many hours."""
    with database.writing() as connection:
        sql = "SELECT at_ms FROM history_hour WHERE battery = ? AND detail = ? AND at_ms <= ? ORDER BY at_ms LIMIT 1000"
        hours = list(connection.exec_driver_sql(marked(connection, sql), (battery, MINUTES, before_ms - HOUR_MS)).scalars())
        for hour_ms in hours:
            _delete(connection, "history_minute", battery, hour_ms, hour_ms + HOUR_MS)
            _keep_detail(connection, battery, hour_ms, HOUR_ONLY)
    return len(hours)


def _detail(connection: Connection, battery: int, hour_ms: int) -> int:
    sql = marked(connection, "SELECT detail FROM history_hour WHERE battery = ? AND at_ms = ?")
    found: int | None = connection.exec_driver_sql(sql, (battery, hour_ms)).scalar_one_or_none()
    return RAW if found is None else found


def _keep_detail(connection: Connection, battery: int, hour_ms: int, detail: int) -> None:
    execute_each(connection, "UPDATE history_hour SET detail = ? WHERE battery = ? AND at_ms = ?", [(detail, battery, hour_ms)])


def merged(a: Row, b: Row) -> Row:
    """Two roll-ups of the same stretch as one; the last values are those of the later."""
    out = [a[0], a[1], a[2] + b[2], max(a[3], b[3])]
    for at in range(4, 24, 5):
        n, total = a[at] + b[at], None if a[at + 1] is None and b[at + 1] is None else (a[at + 1] or 0) + (b[at + 1] or 0)
        later = b if b[3] >= a[3] else a
        out += [n, total, _of(min, a[at + 2], b[at + 2]), _of(max, a[at + 3], b[at + 3]), later[at + 4]]
    return (*out, _of(min, a[24], b[24]), _of(max, a[25], b[25]), (b if b[3] >= a[3] else a)[26])


def _of(pick: Any, a: int | None, b: int | None) -> int | None:
    return b if a is None else a if b is None else pick(a, b)


def joined(connection: Connection, battery: int, from_ms: int, to_ms: int, width_ms: int) -> list[Row]:
    """A stretch of raw readings as roll-up rows of a width."""
    given = (battery, from_ms, to_ms, battery, battery)
    rows = connection.exec_driver_sql(marked(connection, _JOINED.replace("WIDTH", str(width_ms))), given).all()
    made = []
    for start, n, last_ms, *rest in rows:
        row: list[Any] = [battery, start, n, last_ms]
        for q in range(4):
            count, total, least, most = rest[4 * q : 4 * q + 4]
            row += [count, None if total is None else int(total), least, most, rest[18 + q]]
        made.append((*row, rest[16], rest[17], rest[22]))
    return made


_PARTS = ", ".join(f"count({q}) AS {q}_n, sum({q}) AS {q}_sum, min({q}) AS {q}_min, max({q}) AS {q}_max" for q in QUANTITIES)
_LAST = ", ".join(f"h.{q}" for q in QUANTITIES)
_JOINED = f"""
    SELECT g.*, {_LAST}, h.{PHASE_SQL} FROM (
        SELECT at_ms / WIDTH * WIDTH AS start, count(*) AS n, max(at_ms) AS last_ms, {_PARTS}, min({LOW_SQL}) AS low, max({HIGH_SQL}) AS high
        FROM history WHERE battery = ? AND at_ms >= ? AND at_ms < ? GROUP BY at_ms / WIDTH * WIDTH
    ) g JOIN history h ON h.battery = ? AND h.at_ms = g.last_ms
    WHERE h.sequence = (SELECT max(x.sequence) FROM history x WHERE x.battery = ? AND x.at_ms = g.last_ms)
"""  # noqa: S608 - only names of columns are put together


def _rolled(connection: Connection, table: str, battery: int, from_ms: int, to_ms: int) -> Sequence[Any]:
    sql = f"SELECT * FROM {table} WHERE battery = ? AND at_ms >= ? AND at_ms < ?"  # noqa: S608
    return connection.exec_driver_sql(marked(connection, sql), (battery, from_ms, to_ms)).all()


def _delete(connection: Connection, table: str, battery: int, from_ms: int, to_ms: int) -> None:
    execute_each(connection, f"DELETE FROM {table} WHERE battery = ? AND at_ms >= ? AND at_ms < ?", [(battery, from_ms, to_ms)])  # noqa: S608


_MINUTES_SQL = upsert(HISTORY_MINUTE, "battery", "at_ms")
_HOURS_SQL = upsert(HISTORY_HOUR, "battery", "at_ms")
