"""Lines of delimited columns (`12.62,-3.4,18.5`) or of key=value pairs (`v=12.62 i=-3.4`), with a column map.

Numbers are plain decimals; `nan`, `inf`, `0x1f` and `1_000` are no numbers. With `end` of a message the last line needs no line end.
"""

import re
from collections.abc import Callable
from typing import Literal

from pydantic import Field, model_validator

from analytics.reading import Reading
from ingest.decoder import Decoder, Rejected
from ingest.formats.framed import Framed
from ingest.formats.lines import Lines, rejected
from ingest.formats.quantities import FieldMap, Maker

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,4})?")


class Delimited(FieldMap):
    """Settings of format `delimited`. Columns are counted from 1; a name stands for a key, or for a column of `columns`."""

    delimiter: str = Field(default=",", max_length=1)
    """One character; empty: any white space."""
    pairs: Literal["", "=", ":"] = ""
    """What stands between key and value; empty: columns without keys."""
    columns: tuple[str, ...] = ()
    """Names of the columns in their order; a line must have that many."""
    decimal: Literal[".", ","] = "."
    comment: str = Field(default="#", max_length=1)
    """Lines that begin with it are no readings and no mistakes."""
    header: bool = False
    """The first line of the stream names the columns for people and is skipped."""

    @model_validator(mode="after")
    def _columns(self) -> "Delimited":
        if self.decimal == self.delimiter:
            raise ValueError("delimiter and decimal must differ")
        if self.pairs and self.columns:
            raise ValueError("either pairs or columns")
        fields = [q.field for q in (self.voltage, self.current, self.temperature, self.charge, self.time, self.monotonic) if q is not None]
        fields += [f for f in (self.sequence, self.boot_id, self.battery) if f is not None]
        for field in fields:
            if self.pairs and isinstance(field, int):
                raise ValueError(f"field = {field}: expected the key before {self.pairs!r}")
            if not self.pairs and isinstance(field, int) and not 1 <= field <= 1000:
                raise ValueError(f"field = {field}: columns are counted from 1 to 1000")
            if not self.pairs and isinstance(field, str) and field not in self.columns:
                raise ValueError(f"field = {field!r}: expected a column number or one of columns")
        return self


Row = dict[str | int, str]


def delimited_decoder(settings: Delimited, battery_id: str | None) -> Decoder:
    maker = Maker(settings, battery_id)
    split = _pairs_of(settings) if settings.pairs else _columns_of(settings)
    comma = settings.decimal == ","
    texts = {settings.boot_id, settings.battery} | ({settings.time.field} if settings.time and settings.time.kind == "rfc3339" else set())
    texts.discard(None)
    skip = settings.header

    def parse(frame: bytes, received_ms: int) -> list[Reading | Rejected]:
        nonlocal skip
        if skip:
            skip = False
            return []
        try:
            line = frame.decode()
        except UnicodeDecodeError:
            return [rejected("not text", frame)]
        line = line.strip()
        if not line or (settings.comment and line.startswith(settings.comment)):
            return []
        row = split(line)
        if type(row) is str:
            return [rejected(row, frame)]

        def get(field: str | int) -> object:
            text = row.get(field, "")  # type: ignore[union-attr]
            if not text:
                return None
            if field in texts:
                return text
            if comma:
                text = text.replace(",", ".")
            return float(text) if _NUMBER.fullmatch(text) and text.isascii() else text

        result = maker.reading(get, received_ms)
        return [rejected(result, frame) if type(result) is str else result]  # type: ignore[list-item]

    return Framed(Lines(), parse)


def _columns_of(settings: Delimited) -> Callable[[str], Row | str]:
    delimiter = settings.delimiter or None
    count = len(settings.columns)
    names: list[tuple[str | int, int]] = [(name, i) for i, name in enumerate(settings.columns)]
    used = [
        q.field for q in (settings.voltage, settings.current, settings.temperature, settings.charge, settings.time, settings.monotonic) if q
    ]
    used += [f for f in (settings.sequence, settings.boot_id, settings.battery) if f is not None]
    names += [(field, field - 1) for field in used if isinstance(field, int)]

    def split(line: str) -> Row | str:
        cells = line.split(delimiter)
        if count and len(cells) != count:
            return "wrong number of columns"
        return {name: cells[i].strip() for name, i in names if i < len(cells)}

    return split


def _pairs_of(settings: Delimited) -> Callable[[str], Row | str]:
    delimiter, between = settings.delimiter or None, settings.pairs

    def split(line: str) -> Row | str:
        row: Row = {}
        for cell in line.split(delimiter):
            key, found, text = cell.partition(between)
            key = key.strip()
            if not found:
                if cell.strip():
                    return "not a key and a value"
                continue
            if key in row:
                return "the same key twice"
            row[key] = text.strip()
        return row

    return split
