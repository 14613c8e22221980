"""History in InfluxDB 2. Written synchronously from the durable rows of the ledger's database, never from the client's own queue.

That queue drops what it cannot write and swallows a refusal (measured). Here whatever goes wrong is raised, in words, and the
rows stay where they are: see api.history.forward. Points hold the same integers as the SQL history, so a reading comes back
exactly as it was folded. A point's time is the reading's plus its sequence in nanoseconds, since readings may share a millisecond.
"""

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision

from analytics.assessment import Assessment
from analytics.reading import Reading
from api.history import influx_flux as flux
from api.history.codes import ABOVE, Row, band, reading_of, rows
from api.history.columns import Point, check_asked, joined_columns, raw_columns, width_ms
from api.history.influx_server import HistoryAway, HistoryRefused, InfluxServer, Unfit
from api.history.influx_settings import InfluxSettings
from api.ports import Columns

HOUR_MS, DAY_MS = 3_600_000, 86_400_000
BEGIN_NS, END_NS = 0, 4_102_444_800 * 10**9
"""1970 to 2100: the server wants a stretch for every question."""
AT_ONCE = 5_000
"""Lines in one request; the server's makers advise 5,000. And rows in one answer."""
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FIELDS = ("voltage_mv", "current_ma", "temperature_dc", "charge_mah", "soc_cpct", "belief")
"""Of a point, in the order of a row from its fourth place on."""


class InfluxHistory:
    """Satisfies api.ports.History. Cheap to make; connects with the first question."""

    def __init__(self, settings: InfluxSettings, now_ms: Callable[[], int]) -> None:
        self.settings, self._now_ms = settings, now_ms
        self.server = InfluxServer(settings)

    # --- writing

    def keep(self, pairs: Sequence[tuple[Reading, Assessment]]) -> None:
        """Keep readings with their assessments; one that is there already stays as it was."""
        for battery_id in sorted({reading.battery_id for reading, _ in pairs}):
            made = {row[1:3]: row for row in reversed(rows([p for p in pairs if p[0].battery_id == battery_id], {battery_id: 0}))}
            there = {row[1:3] for row in self._between(battery_id, min(made)[0], max(made)[0] + 1)}
            self.write(battery_id, [row for key, row in sorted(made.items()) if key not in there])

    def write(self, battery_id: str, made: Sequence[Row]) -> None:
        """Write rows of the SQL history; one that is there already is written over. Raises HistoryAway or HistoryRefused."""
        tag = escaped(battery_id)
        lines = [line(tag, row) for row in made]
        for begin in range(0, len(lines), AT_ONCE):
            self._write(lines[begin : begin + AT_ONCE])

    def _write(self, lines: list[str]) -> None:
        try:
            self.server.ask(lambda client: client.write_api(write_options=SYNCHRONOUS).write(
                self.settings.bucket, self.settings.org, "\n".join(lines).encode(), write_precision=WritePrecision.NS
            ))  # fmt: skip
        except Unfit as e:
            if len(lines) == 1:
                raise HistoryRefused(f"InfluxDB refuses a line ({e}): {lines[0]}") from e
            half = len(lines) // 2
            self._write(lines[:half])
            self._write(lines[half:])

    # --- reading

    def last_ms(self, battery_id: str) -> int | None:
        found = self._query(flux.LAST, battery_id, BEGIN_NS, END_NS)
        return max((_ms(record["_time"]) for record in found), default=None)

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        for row in self._between(battery_id, from_ms, to_ms):
            yield reading_of(battery_id, row[1:7])

    def read(self, battery_id: str, from_ms: int, to_ms: int, points: int) -> Columns:
        """See api.ports.History. Raises ValueError where the stretch is empty or no point is allowed, HistoryAway."""
        check_asked(from_ms, to_ms, points)
        raw_from_ms = self._now_ms() - self.settings.raw_days * DAY_MS if self.settings.raw_days else 0
        if from_ms >= raw_from_ms:
            found = self._rows(battery_id, from_ms * 10**6, to_ms * 10**6, points + 1)
            if len(found) <= points:
                columns = raw_columns([(row[1], *row[3:]) for row in found])
                if len(columns.time_ms) <= points:
                    return columns
        every = width_ms(from_ms, to_ms, points)
        if from_ms >= raw_from_ms:
            return joined_columns(self._joined(battery_id, from_ms, to_ms, every), every)
        every = -(-every // HOUR_MS) * HOUR_MS
        edge_ms = min(to_ms, -(-raw_from_ms // every) * every)
        old = self._hours(battery_id, from_ms - from_ms % HOUR_MS, edge_ms, every)
        return joined_columns(old + (self._joined(battery_id, edge_ms, to_ms, every) if edge_ms < to_ms else []), every)

    def _between(self, battery_id: str, from_ms: int, to_ms: int | None) -> Iterator[Row]:
        begin_ns, end_ns = max(0, from_ms) * 10**6, END_NS if to_ms is None else to_ms * 10**6
        while begin_ns < end_ns:
            found = self._rows(battery_id, begin_ns, end_ns, AT_ONCE)
            yield from found
            if len(found) < AT_ONCE:
                return
            begin_ns = time_ns(found[-1]) + 1

    def _rows(self, battery_id: str, begin_ns: int, end_ns: int, limit: int) -> list[Row]:
        found = self._query(flux.ROWS, battery_id, begin_ns, end_ns, _limit=limit)
        made = [(0, _ms(r["_time"]), int(r["sequence"]), *(None if (v := r.get(f)) is None else int(v) for f in FIELDS)) for r in found]
        return sorted(made, key=lambda row: row[1:3])  # type: ignore[arg-type]

    def _joined(self, battery_id: str, from_ms: int, to_ms: int, every: int) -> list[Point]:
        found = self._query(flux.JOINED, battery_id, from_ms * 10**6, to_ms * 10**6, _every=every * 10**6)
        values = {(_ms(r["_time"]) // every, r["_field"], r["of"]): r["_value"] for r in found}
        return [_point(bucket * every, bucket, values) for bucket in sorted({key[0] for key in values})]

    def _hours(self, battery_id: str, from_ms: int, to_ms: int, every: int) -> list[Point]:
        if from_ms >= to_ms:
            return []
        found = self._query(flux.HOURS, battery_id, from_ms * 10**6, to_ms * 10**6, self.settings.hours_bucket, _every=every * 10**6)
        values: dict[tuple[int, str, str], float] = {}
        for r in found:
            quantity, _, part = r["_field"].rpartition("_")
            values[_ms(r["_time"]) // every, quantity, part] = r["_value"]
        for bucket, quantity, part in list(values):
            if part == "sum" and values.get((bucket, quantity, "n")):
                values[bucket, quantity, "mean"] = values[bucket, quantity, "sum"] / values[bucket, quantity, "n"]
        return [_point(bucket * every, bucket, values) for bucket in sorted({key[0] for key in values})]

    def _query(
        self, text: str, battery_id: str, begin_ns: int, end_ns: int, bucket: str | None = None, **more: int
    ) -> list[dict[str, Any]]:
        given = {
            "_bucket": bucket or self.settings.bucket,
            "_battery": battery_id,
            "_begin": max(0, begin_ns),
            "_end": min(end_ns, END_NS),
            **more,
        }
        try:
            tables = self.server.ask(lambda client: client.query_api().query(text, org=self.settings.org, params=given))
        except Unfit as e:
            raise HistoryAway(f"InfluxDB does not understand the question: {e}") from e
        return [record.values for table in tables for record in table.records]


def escaped(tag: str) -> str:
    """A tag value of the line protocol: comma, equals sign and space need a backslash before them; a backslash itself is one as it stands.

    A line break cannot be in it, nor a backslash at its end, which would escape what follows (tried on a server).
    """
    if "\n" in tag or "\r" in tag or not tag or tag.endswith("\\"):
        raise ValueError(f"battery id {tag!r}: expected one line of text that does not end with a backslash")
    return "".join("\\" + c if c in ",= " else c for c in tag)


def time_ns(row: Row) -> int:
    return row[1] * 10**6 + row[2] % 10**6


def line(tag: str, row: Row) -> str:
    """One reading in the line protocol; what was not measured is left out."""
    soc, belief = row[7], row[8]
    fields = [f"{name}={value}i" for name, value in zip(FIELDS, row[3:], strict=True) if value is not None]
    ends = band(soc, belief)
    if ends is not None:
        fields += [f"low_cpct={ends[0]}i", f"high_cpct={ends[1]}i"]
    fields += [f"phase={belief % ABOVE}i", f"sequence={row[2]}i"]
    return f"reading,battery={tag} {','.join(fields)} {time_ns(row)}"


def _ms(at: datetime) -> int:
    return (at - EPOCH) // timedelta(milliseconds=1)


def _point(at_ms: int, bucket: int, values: dict[tuple[int, str, str], float]) -> Point:
    def three(quantity: str) -> tuple[float, int, int] | None:
        mean = values.get((bucket, quantity, "mean"))
        if mean is None:
            return None
        return mean, round(values[bucket, quantity, "min"]), round(values[bucket, quantity, "max"])

    low, high = values.get((bucket, "low_cpct", "min")), values.get((bucket, "high_cpct", "max"))
    ends = None if low is None or high is None else (round(low), round(high))
    phase = round(values.get((bucket, "phase", "last"), 0.0))
    return Point(at_ms, three("voltage_mv"), three("current_ma"), three("temperature_dc"), three("soc_cpct"), ends, phase)
