"""NMEA 0183 transducer sentences: `$IIXDR,U,12.62,V,Battery#0,I,-3.4,A,Battery#0,C,18.5,C,Battery#0*24`.

A sentence is `$`, body, `*`, and the exclusive-or of the body in two hex digits. Other sentences on the line (position, wind)
are passed over; a wrong or missing checksum is counted whatever the sentence was.
"""

from functools import reduce
from operator import xor

from pydantic import model_validator

from analytics.reading import Reading
from ingest.decoder import Decoder, Rejected
from ingest.formats.delimited import _NUMBER
from ingest.formats.framed import Framed
from ingest.formats.lines import Lines, rejected
from ingest.formats.quantities import FieldMap, Maker, Quantity

TYPES = {"U": "voltage", "I": "current", "C": "temperature"}
"""Transducer types: voltage (V), current (A), temperature (degrees Celsius)."""
UNITS = {"voltage": "V", "current": "A", "temperature": "C"}


class NmeaXdr(FieldMap):
    """Settings of format `nmea-xdr`. `field` is the transducer's name; voltage, current and temperature may share one."""

    voltage: Quantity = Quantity(field="Battery#0")
    current: Quantity | None = Quantity(field="Battery#0")
    temperature: Quantity | None = Quantity(field="Battery#0")

    @model_validator(mode="after")
    def _only_xdr(self) -> "NmeaXdr":
        for name in ("charge", "time", "sequence", "boot_id", "monotonic", "battery"):
            if getattr(self, name) is not None:
                raise ValueError(f"{name}: a transducer sentence has none")
        return self


def checksum(body: bytes) -> int:
    """The exclusive-or of all bytes between `$` and `*`."""
    return reduce(xor, body, 0)


def nmea_decoder(settings: NmeaXdr, battery_id: str | None) -> Decoder:
    maker = Maker(settings, battery_id)
    wanted: dict[tuple[str, str], str] = {}
    for kind, name in TYPES.items():
        quantity: Quantity | None = getattr(settings, name)
        if quantity is not None:
            wanted[kind, str(quantity.field)] = name
            line = getattr(maker, name)
            setattr(maker, name, line._replace(field=name))

    def parse(frame: bytes, received_ms: int) -> list[Reading | Rejected]:
        text = _body(frame)
        if isinstance(text, Rejected):
            return [text]
        address, *cells = text.split(",")
        if address[2:] != "XDR":
            return []
        row = _row(cells, wanted)
        if isinstance(row, str):
            return [rejected(row, frame)]
        if not row:
            return []
        result = maker.reading(row.get, received_ms)
        return [rejected(result, frame) if type(result) is str else result]  # type: ignore[list-item]

    return Framed(Lines(), parse)


def _body(frame: bytes) -> str | Rejected:
    """What stands between `$` and `*`, once its checksum is right."""
    if not frame.startswith((b"$", b"!")):
        return rejected("not an NMEA sentence", frame)
    body, star, sum_hex = frame[1:].rpartition(b"*")
    if not star or len(sum_hex.strip()) != 2:
        return rejected("checksum missing", frame)
    try:
        if int(sum_hex, 16) == checksum(body):
            return body.decode("ascii")
    except ValueError:
        pass
    return rejected("checksum wrong", frame)


def _row(cells: list[str], wanted: dict[tuple[str, str], str]) -> dict[str | int, object] | str:
    """The wanted quantities of the groups (type, value, unit, name); a text says why there are none to be had."""
    if len(cells) % 4:
        return "not groups of four"
    row: dict[str | int, object] = {}
    for kind, number, unit, transducer in zip(*(iter(cells),) * 4, strict=True):
        name = wanted.get((kind, transducer))
        if name is None or not number:
            continue
        if unit != UNITS[name]:
            return f"{name} in an unknown unit"
        row[name] = float(number) if _NUMBER.fullmatch(number) else number
    return row
