"""SenML packs (RFC 8428), as JSON or CBOR: records are resolved, those of the map's names joined by time into readings.

Both primary and secondary units (RFC 8798) are understood. Records of other names belong to other sensors and are passed over.
"""

import io
from collections.abc import Callable
from typing import Any, NamedTuple

import cbor2
import orjson
from pydantic import model_validator

from analytics.reading import Reading
from ingest.decoder import Decoder, Rejected
from ingest.formats.framed import NOT_JSON, Framed, FramedJson
from ingest.formats.lines import Lines, Pack, rejected
from ingest.formats.quantities import LONGEST_ID, FieldMap, Maker, line_of
from ingest.formats.times import LATEST_MS

RELATIVE_BELOW_S = 2**28
"""RFC 8428 section 4.5.3: smaller times are relative to now."""
VERSIONS = (*range(1, 11), 26)
"""RFC 8428 section 4.4: up to 10, the default; RFC 9100 section 4: 26 = 10 with secondary units."""
LABELS = {
    -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs", -1: "bver", 0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip
"""RFC 8428 section 6, table 4: the CBOR labels."""
MOST_RECORDS = 50_000


class SenmlError(ValueError):
    """The pack breaks a rule of RFC 8428; its text is a short reason."""


class Record(NamedTuple):
    """A resolved record (RFC 8428 section 4.6): nothing is left to be added from a base."""

    name: str
    unit: str | None
    value: float | str | bool | None
    """None where only a sum was given."""
    time_s: float
    """Seconds since 1970; 0 where no time was given: now."""
    sum: float | None


class Senml(FieldMap):
    """Settings of formats `senml` and `senml-cbor`. `field` is the end of the resolved name (`voltage` finds `urn:dev:ow:van7:voltage`)."""

    base: str = ""
    """What stands before the battery's id in the resolved name, where the name tells the battery: `urn:dev:ow:`."""

    @model_validator(mode="after")
    def _own_times(self) -> "Senml":
        if self.time is not None or self.sequence is not None or self.boot_id is not None or self.monotonic is not None:
            raise ValueError("SenML records carry their own time; time, sequence, boot_id and monotonic are not mapped")
        if self.battery is not None:
            raise ValueError("the battery stands in the name: set base instead of battery")
        return self


def resolve(pack: object) -> list[Record]:
    """The resolved records in the order of the pack. Raises SenmlError."""
    if type(pack) is not list or not pack:
        raise SenmlError("not a SenML pack")
    if len(pack) > MOST_RECORDS:
        raise SenmlError("too many records in one pack")
    base: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": None, "bv": None, "bs": None, "bver": 10}
    records = []
    for row in pack:
        if type(row) is not dict:
            raise SenmlError("not a SenML record")
        record = _resolved(row, base)
        if record is not None:
            records.append(record)
    return records


def _resolved(row: dict[str, Any], base: dict[str, Any]) -> Record | None:
    for key, given in row.items():
        if type(key) is not str:
            continue  # an unknown label is ignored, as an unknown name is (section 4.4)
        if key.endswith("_"):
            raise SenmlError("SenML field that must be understood")
        if key in base:
            base[key] = _of(given, str if key in ("bn", "bu") else float)
    if base["bver"] not in VERSIONS:
        raise SenmlError("unknown SenML version")
    name = base["bn"] + _of(row.get("n", ""), str)
    time_s = base["bt"] + _of(row.get("t", 0.0), float)
    value = row.get("v", row.get("vs", row.get("vb", row.get("vd"))))
    if "v" in row or (value is None and base["bv"] is not None and "s" not in row and "n" in row):
        value = _of(row.get("v", 0.0), float) + (base["bv"] or 0.0)
    elif type(value) not in (str, bool, bytes, type(None)):
        raise SenmlError("SenML value of the wrong kind")
    total = None
    if "s" in row or base["bs"] is not None:
        total = _of(row.get("s", 0.0), float) + (base["bs"] or 0.0)
    if value is None and total is None:
        if set(row) <= {"bn", "bt", "bu", "bv", "bs", "bver"}:
            return None
        raise SenmlError("SenML record without a value")
    if not name:
        raise SenmlError("SenML record without a name")
    unit = row.get("u", base["bu"])
    return Record(name, None if unit is None else _of(unit, str), value if type(value) is not bytes else "", time_s, total)


def _of(given: Any, kind: type) -> Any:
    if kind is str and type(given) is str:
        return given
    if kind is float and type(given) in (int, float) and -1e18 < given < 1e18:
        return float(given)
    raise SenmlError("SenML field of the wrong kind")


def senml_decoder(settings: Senml, battery_id: str | None) -> Decoder:
    """JSON: in a stream one pack a line."""
    return FramedJson(Lines(), _parser(settings, battery_id, orjson.loads, NOT_JSON))


def senml_cbor_decoder(settings: Senml, battery_id: str | None) -> Decoder:
    """CBOR: one pack a message."""
    return Framed(Pack(), _parser(settings, battery_id, _cbor, "not CBOR"))


def _cbor(frame: bytes) -> object:
    """Any fault of the bytes becomes a ValueError; labels become the names of the JSON form."""
    stream = io.BytesIO(frame)
    try:
        pack = cbor2.CBORDecoder(stream, max_depth=8).decode()
        rest = stream.read(1)
    except (cbor2.CBORError, ValueError, TypeError, ArithmeticError, LookupError, RecursionError, MemoryError) as e:
        raise ValueError("not CBOR") from e
    if rest:
        raise ValueError("not CBOR")
    if type(pack) is not list:
        raise SenmlError("not a SenML pack")
    return [{LABELS.get(k, k) if type(k) is int else k: v for k, v in row.items()} if type(row) is dict else None for row in pack]


def _parser(
    settings: Senml, battery_id: str | None, load: Callable[[bytes], object], unreadable: str
) -> Callable[[bytes, int], list[Reading | Rejected]]:
    made: dict[tuple[str, tuple[tuple[str, str], ...]], Maker | str] = {}

    def maker_of(battery: str, units: tuple[tuple[str, str], ...]) -> Maker | str:
        """The payload's own units win over the map's. Kept, since a sender says the same units every time."""
        maker = made.get((battery, units))
        if maker is None:
            if len(made) > 1000:
                made.clear()
            maker = made[battery, units] = _maker(settings, battery, units)
        return maker

    def parse(frame: bytes, received_ms: int) -> list[Reading | Rejected]:
        try:
            records = resolve(load(frame))
        except SenmlError as e:
            return [rejected(str(e), frame)]
        except ValueError:
            return [rejected(unreadable, frame)]
        groups = _groups(settings, battery_id, records, received_ms)
        if isinstance(groups, str):
            return [rejected(groups, frame)]
        if not groups:
            return [rejected("no value of a known name", frame)]
        results: list[Reading | Rejected] = []
        for (battery, at_ms), group in groups.items():
            maker = maker_of(battery, tuple(sorted((field, r.unit) for field, r in group.items() if r.unit is not None)))
            result = maker if type(maker) is str else maker.reading({f: r.value for f, r in group.items()}.get, at_ms)  # type: ignore[union-attr,arg-type]
            results.append(rejected(result, frame) if type(result) is str else result)  # type: ignore[arg-type]
        return results

    return parse


def _groups(
    settings: Senml, battery_id: str | None, records: list[Record], received_ms: int
) -> dict[tuple[str, int], dict[str, Record]] | str:
    """Battery and time → field → record; a text says why the pack gives none."""
    groups: dict[tuple[str, int], dict[str, Record]] = {}
    for record in records:
        found = _found(settings, battery_id, record.name)
        if found is None:
            continue
        battery, field = found
        at_ms = _at_ms(record.time_s, received_ms)
        if not 0 <= at_ms < LATEST_MS:
            return "not a time"
        group = groups.setdefault((battery, at_ms), {})
        if field in group:
            return "the same name twice at one time"
        group[field] = record
    return groups


def _found(settings: Senml, battery_id: str | None, name: str) -> tuple[str, str] | None:
    """Battery and field of a resolved name."""
    for quantity in (settings.voltage, settings.current, settings.temperature, settings.charge):
        if quantity is None:
            continue
        field = str(quantity.field)
        if name != field and not (name.endswith(field) and name[-len(field) - 1] in ":/.-_"):
            continue
        if battery_id is not None:
            return battery_id, field
        battery = name[: -len(field) - 1]
        if not settings.base or not battery.startswith(settings.base):
            return None
        battery = battery[len(settings.base) :]
        return (battery, field) if 0 < len(battery) <= LONGEST_ID and battery.isprintable() else None
    return None


def _maker(settings: Senml, battery_id: str, units: tuple[tuple[str, str], ...]) -> Maker | str:
    maker = Maker(settings, battery_id)
    said = dict(units)
    for name in ("voltage", "current", "temperature", "charge"):
        quantity = getattr(settings, name)
        if quantity is None:
            continue
        line = line_of(name, quantity, said.get(str(quantity.field)))
        if line is None:
            return f"{name} in an unknown unit"
        setattr(maker, name, line._replace(field=str(quantity.field)))
    return maker


def _at_ms(time_s: float, received_ms: int) -> int:
    return round(time_s * 1000) if time_s >= RELATIVE_BELOW_S else received_ms + round(time_s * 1000)
