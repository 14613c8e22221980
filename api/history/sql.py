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
from api.history.codes import HIGH_SQL, LOW_SQL, PHASE_SQL, reading_of, rows
from api.history.columns import Point, joined_columns, raw_columns, width_ms
from api.numbers import Numbers
from api.ports import Columns
from api.tables import HISTORY, UNROLLED

HOUR_MS, MINUTE_MS = 3_600_000, 60_000
AT_ONCE = 5_000
"""Rows fetched at a time when all readings are asked for; judgement: about a megabyte."""

_QUANTITIES = ("voltage_mv", "current_ma", "temperature_dc", "soc_cpct")


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

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        """[from_ms, to_ms) as folded: by time, then by sequence."""
        number = self._numbers.known(self._database, battery_id)
        h = HISTORY.c
        at, sequence = from_ms, -(1 << 63)
        while number is not None:
            query = select(h.at_ms, h.sequence, h.voltage_mv, h.current_ma, h.temperature_dc, h.charge_mah).where(
                h.battery == number, h.at_ms >= at, (h.at_ms > at) | (h.sequence > sequence)
            )
            if to_ms is not None:
                query = query.where(h.at_ms < to_ms)
            with self._database.reading() as connection:
                found = connection.execute(query.order_by(h.at_ms, h.sequence).limit(AT_ONCE)).all()
            for row in found:
                yield reading_of(battery_id, row)
            if len(found) < AT_ONCE:
                return
            at, sequence = found[-1][0], found[-1][1]

    def read(self, battery_id: str, from_ms: int, to_ms: int, points: int) -> Columns:
        """See api.ports.History. Raises ValueError where the stretch is empty or no point is allowed."""
        if to_ms <= from_ms:
            raise ValueError(f"to_ms = {to_ms}: expected a time after from_ms = {from_ms}")
        if points < 1:
            raise ValueError(f"points = {points}: expected at least 1")
        number = self._numbers.known(self._database, battery_id)
        if number is None:
            return raw_columns([])
        with self._database.reading() as connection:
            rolled_to = _rolled_to(connection, number)
            if rolled_to is None or rolled_to <= from_ms or not _raw_gone(connection, number, from_ms):
                found = _raw(connection, number, from_ms, to_ms, points + 1)
                if len(found) <= points:
                    columns = raw_columns(found)
                    if len(columns.time_ms) <= points:
                        return columns
            every = width_ms(from_ms, to_ms, points)
            return joined_columns(_joined(connection, number, from_ms, to_ms, every), every)


def insert(connection: Connection, pairs: Sequence[tuple[Reading, Assessment]], numbers: dict[str, int]) -> None:
    """Insert in the caller's transaction; keys already there are left alone."""
    if pairs:
        made = rows(pairs, numbers)
        connection.exec_driver_sql(_insert_sql(connection) + " ON CONFLICT DO NOTHING", made)
        mark_unrolled(connection, {(row[0], row[1] - row[1] % HOUR_MS) for row in made})


def reassess(connection: Connection, pairs: Sequence[tuple[Reading, Assessment]], numbers: dict[str, int]) -> None:
    """Write the new belief beside readings that history has (and the reading too, should it be missing)."""
    if pairs:
        made = rows(pairs, numbers)
        renewed = ", ".join(f"{name} = excluded.{name}" for name in ("soc_cpct", "belief"))
        connection.exec_driver_sql(_insert_sql(connection) + f" ON CONFLICT (battery, at_ms, sequence) DO UPDATE SET {renewed}", made)
        mark_unrolled(connection, {(row[0], row[1] - row[1] % HOUR_MS) for row in made})


def mark_unrolled(connection: Connection, hours: Iterable[tuple[int, int]]) -> None:
    mark = "?, ?" if connection.dialect.name == "sqlite" else "%s, %s"
    connection.exec_driver_sql(f"INSERT INTO unrolled (battery, at_ms) VALUES ({mark}) ON CONFLICT DO NOTHING", sorted(hours))  # noqa: S608


def _insert_sql(connection: Connection) -> str:
    names = [column.name for column in HISTORY.columns]
    mark = "?" if connection.dialect.name == "sqlite" else "%s"
    return f"INSERT INTO history ({', '.join(names)}) VALUES ({', '.join([mark] * len(names))})"  # noqa: S608


def _rolled_to(connection: Connection, number: int) -> int | None:
    """The beginning of the newest hour that has roll-ups."""
    return connection.exec_driver_sql(
        _marked(connection, "SELECT max(at_ms) FROM history_hour WHERE battery = ?"), (number,)
    ).scalar_one_or_none()


def _raw_gone(connection: Connection, number: int, from_ms: int) -> bool:
    """Whether roll-ups reach further back in this stretch than raw readings do."""
    h = HISTORY.c
    first_raw = connection.execute(select(func.min(h.at_ms)).where(h.battery == number, h.at_ms >= from_ms)).scalar_one_or_none()
    sql = _marked(connection, "SELECT min(at_ms) FROM history_hour WHERE battery = ? AND at_ms >= ?")
    first_hour = connection.exec_driver_sql(sql, (number, from_ms - from_ms % HOUR_MS)).scalar_one_or_none()
    if first_hour is None:
        return False
    return first_raw is None or bool(first_hour < first_raw - first_raw % HOUR_MS)


def _raw(connection: Connection, number: int, from_ms: int, to_ms: int, limit: int) -> Sequence[Any]:
    sql = (
        "SELECT at_ms, voltage_mv, current_ma, temperature_dc, charge_mah, soc_cpct, belief FROM history"
        " WHERE battery = ? AND at_ms >= ? AND at_ms < ? ORDER BY at_ms, sequence LIMIT ?"
    )
    return connection.exec_driver_sql(_marked(connection, sql), (number, from_ms, to_ms, limit)).all()


def _marked(connection: Connection, sql: str) -> str:
    return sql if connection.dialect.name == "sqlite" else sql.replace("%", "%%").replace("?", "%s")


def _joined(connection: Connection, number: int, from_ms: int, to_ms: int, every: int) -> list[Point]:
    """Points from the coarsest source whose stretches divide the width; edges and fresh hours from the raw readings."""
    table = "history_hour" if every % HOUR_MS == 0 else "history_minute" if every % MINUTE_MS == 0 else None
    if table is None:
        found = _grouped(connection, number, [(from_ms, to_ms)], every, None)
    else:
        inner_from, inner_to = -(-from_ms // HOUR_MS) * HOUR_MS, to_ms - to_ms % HOUR_MS
        raw_stretches = _unrolled_stretches(connection, number, inner_from, inner_to)
        if inner_from >= inner_to:
            raw_stretches, inner_to = [(from_ms, to_ms)], inner_from
        else:
            raw_stretches = [s for s in [(from_ms, inner_from), *raw_stretches, (inner_to, to_ms)] if s[0] < s[1]]
        found = _grouped(connection, number, _without(inner_from, inner_to, raw_stretches), every, table)
        found += _grouped(connection, number, raw_stretches, every, None)
    return _merged(found, every)


def _unrolled_stretches(connection: Connection, number: int, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    """Hours not yet rolled up whose raw readings are all still there, neighbours joined."""
    u = UNROLLED.c
    hours = connection.execute(select(u.at_ms).where(u.battery == number, u.at_ms >= from_ms, u.at_ms < to_ms).order_by(u.at_ms)).scalars()
    kept_from = raw_kept_from(connection)
    stretches: list[tuple[int, int]] = []
    for hour in hours:
        if hour < kept_from:
            continue
        if stretches and stretches[-1][1] == hour:
            stretches[-1] = (stretches[-1][0], hour + HOUR_MS)
        else:
            stretches.append((hour, hour + HOUR_MS))
    return stretches


def raw_kept_from(connection: Connection) -> int:
    """Before this time raw readings were let go by retention; only roll-ups tell."""
    sql = "SELECT value FROM meta WHERE key = 'raw_kept_from_ms'"
    return int(connection.exec_driver_sql(sql).scalar_one_or_none() or 0)


def _without(from_ms: int, to_ms: int, holes: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    left, at = [], from_ms
    for begin, end in holes:
        if from_ms <= begin < to_ms:
            left.append((at, begin))
            at = end
    left.append((at, to_ms))
    return [stretch for stretch in left if stretch[0] < stretch[1]]


def _grouped(connection: Connection, number: int, stretches: Sequence[tuple[int, int]], every: int, table: str | None) -> list[Any]:
    """Rows of each stretch: bucket; n, sum, min, max of each quantity; the lowest low, the highest high; the last time and phase."""
    found: list[Any] = []
    sql = _marked(connection, _GROUPED_RAW if table is None else _GROUPED_ROLLED.format(table=table))
    for begin, end in stretches:
        found += connection.exec_driver_sql(sql, (every, number, begin, end)).all()
    return found


_GROUPED_RAW = (
    "SELECT at_ms / ? AS bucket, "  # noqa: S608 - only names of columns are put together
    + ", ".join(f"count({q}), sum({q}), min({q}), max({q})" for q in _QUANTITIES)
    + f", min({LOW_SQL}), max({HIGH_SQL}), max(at_ms * 16 + {PHASE_SQL})"
    " FROM history WHERE battery = ? AND at_ms >= ? AND at_ms < ? GROUP BY bucket"
)
_GROUPED_ROLLED = (
    "SELECT at_ms / ? AS bucket, "  # noqa: S608
    + ", ".join(f"sum({q}_n), sum({q}_sum), min({q}_min), max({q}_max)" for q in _QUANTITIES)
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
