"""History in SQL: what came in and what was believed then, as integers, clustered by battery and time.

Reads choose the coarsest roll-up that still shows what was asked; hours whose roll-ups are not made yet come from the raw
readings, so that an answer never lags. Roll-ups themselves are made in api.rollup.
"""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import Connection, func, select

from analytics.assessment import Assessment
from analytics.reading import Reading
from api.database import Database
from api.execute import execute_each, insert_each, marked
from api.history.codes import HIGH_SQL, LOW_SQL, PHASE_SQL, Row, reading_of, rows
from api.history.columns import Point, check_asked, joined_columns, raw_columns, width_ms
from api.history.sources import HOUR_MS, MINUTE_MS, raw_missing, sources
from api.numbers import Numbers, among
from api.ports import Columns
from api.tables import BATTERIES, HISTORY, UNROLLED

AT_FIRST, AT_ONCE = 500, 5_000
"""Rows fetched at first and at a time when all readings are asked for; judgement: many askers stop early, and more are about a megabyte."""

QUANTITIES = ("voltage_mv", "current_ma", "temperature_dc", "soc_cpct")


class SqlHistory:
    """Satisfies api.ports.History."""

    def __init__(self, database: Database, numbers: Numbers | None = None) -> None:
        self._database, self._numbers = database, numbers or Numbers()

    def keep(self, pairs: Sequence[tuple[Reading, Assessment]]) -> None:
        """Keep readings with their assessments in a transaction of their own. A (battery, time, sequence) already kept stays as it is."""
        try:
            with self._database.writing() as connection:
                insert(connection, pairs, self._numbers.of(connection, {reading.battery_id for reading, _ in pairs}))
        except BaseException:
            self._numbers.forget()
            raise

    def last_ms(self, battery_id: str) -> int | None:
        number = self._numbers.known(self._database, battery_id)
        if number is None:
            return None
        with self._database.reading() as connection:
            last: int | None = connection.execute(select(func.max(HISTORY.c.at_ms)).where(HISTORY.c.battery == number)).scalar_one_or_none()
        return last

    def last_of(self, battery_ids: Sequence[str]) -> dict[str, Reading]:
        """The last reading of each that has one, in one query."""
        b, h, newest = BATTERIES.c, HISTORY.c, HISTORY.alias().c
        last = select(func.max(newest.at_ms)).where(newest.battery == b.number).correlate(BATTERIES).scalar_subquery()
        query = select(b.id, h.at_ms, h.sequence, h.voltage_mv, h.current_ma, h.temperature_dc, h.charge_mah)
        query = query.select_from(BATTERIES.join(HISTORY, (h.battery == b.number) & (h.at_ms == last))).order_by(h.sequence)
        with self._database.reading() as connection:
            found = connection.execute(among(query, battery_ids)).all()
        wanted = set(battery_ids)
        return {row[0]: reading_of(row[0], row[1:]) for row in found if row[0] in wanted}

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        """[from_ms, to_ms) as folded: by time, then by sequence."""
        number = self._numbers.known(self._database, battery_id)
        h = HISTORY.c
        at, sequence, most = from_ms, -(1 << 63), AT_FIRST
        while number is not None:
            query = select(h.at_ms, h.sequence, h.voltage_mv, h.current_ma, h.temperature_dc, h.charge_mah).where(
                h.battery == number, h.at_ms >= at, (h.at_ms > at) | (h.sequence > sequence)
            )
            if to_ms is not None:
                query = query.where(h.at_ms < to_ms)
            with self._database.reading() as connection:
                found = connection.execute(query.order_by(h.at_ms, h.sequence).limit(most)).all()
            for row in found:
                yield reading_of(battery_id, row)
            if len(found) < most:
                return
            at, sequence, most = found[-1][0], found[-1][1], AT_ONCE

    def read(self, battery_id: str, from_ms: int, to_ms: int, points: int) -> Columns:
        """See api.ports.History. Raises ValueError where the stretch is empty or no point is allowed."""
        check_asked(from_ms, to_ms, points)
        number = self._numbers.known(self._database, battery_id)
        if number is None:
            return raw_columns([])
        with self._database.reading() as connection:
            whole = not raw_missing(connection, number, from_ms, to_ms)
            if whole:
                found = _raw(connection, number, from_ms, to_ms, points + 1)
                if len(found) <= points:
                    columns = raw_columns(found)
                    if len(columns.time_ms) <= points:
                        return columns
            every = width_ms(from_ms, to_ms, points)
            if not whole:
                every = max(every, MINUTE_MS)
            return joined_columns(_joined(connection, number, from_ms, to_ms, every), every)


def insert(connection: Connection, pairs: Sequence[tuple[Reading, Assessment]], numbers: dict[str, int]) -> None:
    """Insert in the caller's transaction; keys already there are left alone."""
    made = rows(pairs, numbers)
    insert_each(connection, HISTORY, made, "ON CONFLICT DO NOTHING")
    mark_unrolled(connection, made)


def reassess(connection: Connection, pairs: Sequence[tuple[Reading, Assessment]], numbers: dict[str, int]) -> None:
    """Write the new belief beside readings that history has (and the reading too, should it be missing)."""
    made = list({row[:3]: row for row in rows(pairs, numbers)}.values())
    renewed = ", ".join(f"{name} = excluded.{name}" for name in ("soc_cpct", "belief"))
    insert_each(connection, HISTORY, made, f"ON CONFLICT (battery, at_ms, sequence) DO UPDATE SET {renewed}")
    mark_unrolled(connection, made)


def mark_unrolled(connection: Connection, made: Iterable[Row]) -> None:
    """Mark the hours of these rows: their roll-ups do not show all their readings."""
    marks, known = [], _newest_marks(connection)
    for row in made:
        battery, hour = row[0], row[1] // HOUR_MS
        if known.get(battery) != hour:
            known[battery] = hour
            marks.append((battery, hour * HOUR_MS))
    insert_each(connection, UNROLLED, sorted(set(marks)), "ON CONFLICT DO NOTHING")


def take_mark(connection: Connection, battery: int, hour_ms: int) -> None:
    """The hour's roll-ups show all its readings."""
    _newest_marks(connection).pop(battery, None)
    execute_each(connection, "DELETE FROM unrolled WHERE battery = ? AND at_ms = ?", [(battery, hour_ms)])


def _newest_marks(connection: Connection) -> dict[int, int]:
    """Hour by battery, of marks that are there, so that an hour is marked with its first reading and not with each. Kept with the one
    connection that writes (SQLite), until a rollback or until another process wrote; elsewhere nothing is remembered."""
    if connection.dialect.name != "sqlite":
        return {}
    version = connection.exec_driver_sql("PRAGMA data_version").scalar_one()
    seen, kept = connection.info.get("marks", (None, {}))
    known: dict[int, int] = kept if seen == version else {}
    connection.info["marks"] = version, known
    return known


def _raw(connection: Connection, number: int, from_ms: int, to_ms: int, limit: int) -> Sequence[Any]:
    sql = (
        "SELECT at_ms, voltage_mv, current_ma, temperature_dc, charge_mah, soc_cpct, belief FROM history"
        " WHERE battery = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms, sequence LIMIT ?"
    )
    return connection.exec_driver_sql(marked(connection, sql), (number, from_ms, to_ms, limit)).all()


def _joined(connection: Connection, number: int, from_ms: int, to_ms: int, every: int) -> list[Point]:
    """Points from the coarsest source whose stretches divide the width; edges and fresh hours from the raw readings."""
    found: list[Any] = []
    for table, begin, end in sources(connection, number, from_ms, to_ms, every):
        sql = marked(connection, _GROUPED_RAW if table is None else _GROUPED_ROLLED.format(table=table))
        found += connection.exec_driver_sql(sql, (every, number, begin, end)).all()
    return _merged(found, every)


# Rows: bucket; n, sum, min, max of each quantity; the lowest low, the highest high; the last time and phase in one number.
_GROUPED_RAW = (
    "SELECT at_ms / ? AS bucket, "  # noqa: S608 - only names of columns are put together
    + ", ".join(f"count({q}), sum({q}), min({q}), max({q})" for q in QUANTITIES)
    + f", min({LOW_SQL}), max({HIGH_SQL}), max(at_ms * 16 + {PHASE_SQL})"
    " FROM history WHERE battery = ? AND at_ms >= ? AND at_ms < ? GROUP BY bucket"
)
_GROUPED_ROLLED = (
    "SELECT at_ms / ? AS bucket, "  # noqa: S608
    + ", ".join(f"sum({q}_n), sum({q}_sum), min({q}_min), max({q}_max)" for q in QUANTITIES)
    + ", min(low_cpct_min), max(high_cpct_max), max(last_ms * 16 + phase)"
    " FROM {table} WHERE battery = ? AND at_ms >= ? AND at_ms < ? GROUP BY bucket"
)


def _merged(found: Sequence[Any], every: int) -> list[Point]:
    """Rows of the same bucket from several sources become one point, in the order of time."""
    merged: dict[int, list[Any]] = {}
    for row in found:
        bucket = int(row[0])
        merged[bucket] = list(row) if bucket not in merged else _sum(merged[bucket], row)
    return [_point(bucket * every, merged[bucket]) for bucket in sorted(merged)]


def _sum(a: list[Any], b: Sequence[Any]) -> list[Any]:
    for at in range(1, 17, 4):
        if b[at]:
            a[at + 1] = b[at + 1] + (a[at + 1] or 0)
            a[at + 2] = _least(a[at + 2], b[at + 2])
            a[at + 3] = _most(a[at + 3], b[at + 3])
        a[at] += b[at]
    a[17], a[18], a[19] = _least(a[17], b[17]), _most(a[18], b[18]), _most(a[19], b[19])
    return a


def _least(a: int | None, b: int | None) -> int | None:
    return b if a is None else a if b is None else min(a, b)


def _most(a: int | None, b: int | None) -> int | None:
    return b if a is None else a if b is None else max(a, b)


def _point(at_ms: int, row: Sequence[Any]) -> Point:
    four = [None if not row[at] else (float(row[at + 1]) / int(row[at]), row[at + 2], row[at + 3]) for at in range(1, 17, 4)]
    ends = None if row[17] is None else (max(row[17], 0), min(row[18], 10_000))
    return Point(at_ms, four[0], four[1], four[2], four[3], ends, row[19] % 16)
