"""History in memory: the fake that tests hand to whoever needs a History. It passes the same contract tests as the real ones."""

from collections.abc import Iterator, Sequence
from statistics import fmean

from analytics.assessment import Assessment
from analytics.reading import Reading
from api.history.codes import ABOVE, Row, band, reading_of, rows
from api.history.columns import Point, check_asked, joined_columns, raw_columns, width_ms
from api.ports import Columns


class MemoryHistory:
    """Rows by battery and key, sorted when they are read."""

    def __init__(self) -> None:
        self._rows: dict[str, dict[tuple[int, int], Row]] = {}

    def keep(self, pairs: Sequence[tuple[Reading, Assessment]]) -> None:
        for reading, assessment in pairs:
            (row,) = rows([(reading, assessment)], {reading.battery_id: 0})
            self._rows.setdefault(reading.battery_id, {}).setdefault((reading.at_ms, reading.sequence), row)

    def last_ms(self, battery_id: str) -> int | None:
        return max((at_ms for at_ms, _ in self._rows.get(battery_id, {})), default=None)

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        for row in self._between(battery_id, from_ms, to_ms):
            yield reading_of(battery_id, row[1:7])

    def read(self, battery_id: str, from_ms: int, to_ms: int, points: int) -> Columns:
        check_asked(from_ms, to_ms, points)
        found = self._between(battery_id, from_ms, to_ms)
        if len(found) <= points:
            columns = raw_columns([(row[1], *row[3:]) for row in found])
            if len(columns.time_ms) <= points:
                return columns
        every = width_ms(from_ms, to_ms, points)
        together: dict[int, list[Row]] = {}
        for row in found:
            together.setdefault(row[1] // every, []).append(row)
        return joined_columns([_joined(bucket * every, together[bucket]) for bucket in sorted(together)], every)

    def _between(self, battery_id: str, from_ms: int, to_ms: int | None) -> list[Row]:
        kept = self._rows.get(battery_id, {})
        return [kept[key] for key in sorted(kept) if key[0] >= from_ms and (to_ms is None or key[0] < to_ms)]


def _joined(at_ms: int, joined: list[Row]) -> Point:
    voltage, current, temperature, soc = (_four([row[at] for row in joined]) for at in (3, 4, 5, 7))
    bands = [ends for row in joined if (ends := band(row[7], row[8])) is not None]
    widest = (min(low for low, _ in bands), max(high for _, high in bands)) if bands else None
    return Point(at_ms, voltage, current, temperature, soc, widest, max((row[1], row[2], row[8] % ABOVE) for row in joined)[2])


def _four(values: list[int | None]) -> tuple[float, int, int] | None:
    known = [value for value in values if value is not None]
    return (fmean(known), min(known), max(known)) if known else None
