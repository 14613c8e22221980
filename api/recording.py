"""A recorded file of readings, row by row in arrival order: `time` (RFC 3339 with zone) or `time_s`, `voltage_v`, and what else there is.

A row that is no reading is counted with its line and reason, never guessed at; the next good row is kept.
"""

import csv
import gzip
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import IO

from analytics.reading import Reading, on_the_grid
from api.mistakes import SettingsError
from api.words import rfc3339

EPOCH_MS = 1_767_225_600_000
"""Where `time_s` counts from: 2026-01-01T00:00:00Z. Only differences matter; any day would do."""
KNOWN = ("time", "time_s", "voltage_v", "current_a", "temperature_c", "charge_ah")


class Recording:
    """Iterate once. Afterwards `rows` and `rejected` (line, reason) tell what was read."""

    def __init__(self, path: Path, battery_id: str) -> None:
        self.path, self.battery_id = path, battery_id
        self.rows = 0
        self.rejected: list[tuple[int, str]] = []
        try:
            with open_text(path) as f:
                header = next(csv.reader(f), [])
        except UnicodeDecodeError as e:
            raise SettingsError(
                path, [f"is not a text file (byte {e.start + 1}): expected a CSV with time or time_s, and voltage_v"]
            ) from e
        except (OSError, EOFError) as e:
            raise SettingsError(path, [f"cannot be read: {e}"]) from e
        self.column = {name.strip(): i for i, name in enumerate(header)}
        if "voltage_v" not in self.column or not {"time", "time_s"} & set(self.column):
            raise SettingsError(
                path, [f"header = {','.join(header)!r}: expected time or time_s, voltage_v, and of {', '.join(KNOWN[3:])} what there is"]
            )
        self.in_seconds = "time_s" in self.column

    def __iter__(self) -> Iterator[Reading]:
        column = self.column
        i_time = column["time_s" if self.in_seconds else "time"]
        i_v, i_a, i_t, i_q = (column.get(name, -1) for name in KNOWN[2:])
        battery_id = self.battery_id
        with open_text(self.path) as f:
            rows = csv.reader(f)
            next(rows)
            for line, row in enumerate(rows, start=2):
                try:
                    at_ms = EPOCH_MS + round(float(row[i_time]) * 1000) if self.in_seconds else rfc3339_ms(row[i_time])
                    reading = on_the_grid(
                        Reading(
                            battery_id,
                            at_ms,
                            float(row[i_v]),
                            float(row[i_a]) if i_a >= 0 and row[i_a] else None,
                            float(row[i_t]) if i_t >= 0 and row[i_t] else None,
                            float(row[i_q]) if i_q >= 0 and row[i_q] else None,
                        )
                    )
                except (ValueError, IndexError, OverflowError) as e:
                    if row:
                        self.rejected.append((line, str(e)))
                    continue
                if not -1e4 < reading.voltage_v < 1e4 or not (reading.current_a is None or -1e5 < reading.current_a < 1e5):
                    self.rejected.append((line, f"no such voltage or current: {row}"))
                    continue
                self.rows += 1
                yield reading

    def time_of(self, at_ms: int) -> str:
        """A time as the recording writes it."""
        if self.in_seconds:
            seconds = (at_ms - EPOCH_MS) / 1000
            return str(int(seconds)) if seconds.is_integer() else str(seconds)
        return rfc3339(at_ms)


def open_text(path: Path) -> IO[str]:
    if path.suffix == ".gz":
        return gzip.open(path, "rt", encoding="utf-8", newline="")
    return path.open(encoding="utf-8", newline="")


def rfc3339_ms(text: str) -> int:
    """Milliseconds of an RFC 3339 time. Raises ValueError for one without a zone."""
    at = datetime.fromisoformat(text.strip())
    if at.tzinfo is None:
        raise ValueError(f"time {text!r} has no zone: expected RFC 3339, such as 2026-03-01T08:00:00Z")
    return round(at.timestamp() * 1000)
