"""Where a stretch of history is read from: raw readings, minutes or hours. And what of each hour is still kept.

`detail` of an hour: 2, its raw readings are kept (and its minutes, unless they would be no fewer); 1, its minutes; 0, only itself.
An hour without a roll-up that is not marked `unrolled` has no readings at all.
"""

from sqlalchemy import Connection

from api.execute import marked

HOUR_MS, MINUTE_MS = 3_600_000, 60_000
RAW, MINUTES, HOUR_ONLY = 2, 1, 0
SPARSE = 180
"""An hour with fewer readings gets no minutes: they would be hardly fewer and are twice as long as readings.

Judgement: a reading each 20 seconds. Such raw readings are kept as long as minutes are.
"""

Source = tuple[str | None, int, int]
"""Table (None: raw readings), from and to, milliseconds."""


def raw_missing(connection: Connection, number: int, from_ms: int, to_ms: int) -> bool:
    """Whether raw readings of this stretch were let go."""
    sql = "SELECT 1 FROM history_hour WHERE battery = ? AND at_ms >= ? AND at_ms < ? AND detail < ? LIMIT 1"
    return connection.exec_driver_sql(marked(connection, sql), (number, _hour(from_ms), to_ms, RAW)).first() is not None


def sources(connection: Connection, number: int, from_ms: int, to_ms: int, every_ms: int) -> list[Source]:
    """Neighbouring stretches that together are [from, to), each with the table that tells about it in points of this width."""
    if every_ms % MINUTE_MS and not raw_missing(connection, number, from_ms, to_ms):
        return [(None, from_ms, to_ms)]
    usual = "history_hour" if every_ms % HOUR_MS == 0 else "history_minute"
    special = _special(connection, number, _hour(from_ms), to_ms, usual)
    for edge_ms in (from_ms, to_ms):
        if edge_ms % HOUR_MS:  # only raw readings can be cut anywhere
            special.setdefault(_hour(edge_ms), None)
    found: list[Source] = []
    at_ms = _hour(from_ms)
    for hour_ms, table in sorted(special.items()):
        if at_ms < hour_ms:
            found.append((usual, at_ms, hour_ms))
        found.append((table, hour_ms, hour_ms + HOUR_MS))
        at_ms = hour_ms + HOUR_MS
    if at_ms < to_ms:
        found.append((usual, at_ms, to_ms))
    return _neat(found, from_ms, to_ms)


def _special(connection: Connection, number: int, from_ms: int, to_ms: int, usual: str) -> dict[int, str | None]:
    """Hours that are told by another table than the usual one."""
    given = (number, from_ms, to_ms)
    unrolled = marked(connection, "SELECT at_ms FROM unrolled WHERE battery = ? AND at_ms >= ? AND at_ms < ?")
    special: dict[int, str | None] = dict.fromkeys(connection.exec_driver_sql(unrolled, given).scalars())
    sql = "SELECT at_ms, n, detail FROM history_hour WHERE battery = ? AND at_ms >= ? AND at_ms < ? AND (n < ? OR detail < ?)"
    for hour_ms, n, detail in connection.exec_driver_sql(marked(connection, sql), (*given, SPARSE, RAW)):
        if detail == RAW and n < SPARSE and usual == "history_minute":
            special[hour_ms] = None
        elif detail == MINUTES:
            special[hour_ms] = usual
        elif detail == HOUR_ONLY:
            special[hour_ms] = "history_hour"
    return special


def _neat(found: list[Source], from_ms: int, to_ms: int) -> list[Source]:
    """Neighbours of one table joined; raw readings and minutes cut to the stretch that was asked for."""
    joined: list[Source] = []
    for table, begin, end in found:
        if joined and joined[-1][0] == table and joined[-1][2] == begin:
            joined[-1] = (table, joined[-1][1], end)
        else:
            joined.append((table, begin, end))
    cut = [(t, b, min(e, to_ms)) if t == "history_hour" else (t, max(b, from_ms), min(e, to_ms)) for t, b, e in joined]
    return [source for source in cut if source[1] < source[2]]


def _hour(at_ms: int) -> int:
    return at_ms - at_ms % HOUR_MS
