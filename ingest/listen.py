"""`restvolt listen`: what arrives, as a person can read it, and a proposal how to map it. Pure: bytes in, text out.

A proposal is tried on the sample before it is shown, so that it says what it would have read. It cannot know a sensor's sign;
it says how to find out.
"""

import json
from collections.abc import Callable, Iterable, Sequence
from typing import Any, NamedTuple

import cbor2
import orjson

from analytics.reading import Reading
from ingest.formats import FORMATS
from ingest.formats.delimited import _NUMBER
from ingest.formats.lines import Lines
from ingest.guess import Column, Field, Guess, guess

SIGN = 'Switch a load on: the current must become negative. If it becomes positive, add positive = "discharging" to it.'
MOST_SHOWN = 120


class Proposal(NamedTuple):
    """How the sample could be read."""

    decoder: str
    """One of FORMATS."""
    settings: dict[str, Any]
    toml: str
    """For the settings file."""
    readings: int
    rejected: int
    """What the proposal makes of the sample."""
    example: Reading | None
    remarks: tuple[str, ...]
    """What a person should check, in sentences."""


def shown(payload: bytes) -> str:
    """One message or line as a person can read it: text if it is text, otherwise hex."""
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        text = ""
    if text and all(c.isprintable() or c in "\t\r\n" for c in text):
        line = " ".join(text.split())
    else:
        line = "hex " + payload[:MOST_SHOWN].hex(" ")
    return line if len(line) <= MOST_SHOWN else line[: MOST_SHOWN - 1] + "…"


def cut(stream: bytes) -> list[bytes]:
    """A stretch of a stream as lines; the first and the last are left out, because they may be halves."""
    pieces = stream.replace(b"\r", b"\n").split(b"\n")
    whole = Lines()
    return [line for line in whole.feed(b"\n".join(pieces[1:-1]) + b"\n") if isinstance(line, bytes)]


def propose(messages: Sequence[bytes], name: str = "sensor") -> Proposal | None:
    """A map for whole messages (or whole lines, see `cut`); None if nothing in them looks like a battery's voltage."""
    sample = [m.strip(b"\r\n") for m in messages if m.strip()]
    for recognise in (_nmea, _senml, _json, _pairs, _delimited):
        found = recognise(sample)
        if found is not None:
            decoder, settings, remarks = found
            proposal = _tried(decoder, settings, remarks, sample, name)
            if proposal.readings:
                return proposal
    return None


Recognised = tuple[str, dict[str, Any], list[str]] | None


def _tried(decoder: str, settings: dict[str, Any], remarks: list[str], sample: list[bytes], name: str) -> Proposal:
    made = FORMATS[decoder]
    reader = made.decoder(made.settings.model_validate(settings), "listened")
    results = [result for message in sample for result in reader.message(message, 0)]
    readings = [r for r in results if isinstance(r, Reading)]
    if settings.get("current") is not None:
        remarks = [*remarks, SIGN]
    return Proposal(
        decoder,
        settings,
        toml(name, decoder, settings),
        len(readings),
        len(results) - len(readings),
        readings[-1] if readings else None,
        tuple(remarks),
    )


def toml(name: str, decoder: str, settings: dict[str, Any]) -> str:
    """The section of the settings file."""
    lines = [f"[format.{name}]", f"decoder = {json.dumps(decoder)}"]
    for key, value in settings.items():
        if isinstance(value, dict):
            inner = ", ".join(f"{k} = {json.dumps(v)}" for k, v in value.items())
            lines.append(f"{key} = {{ {inner} }}")
        else:
            lines.append(f"{key} = {json.dumps(value)}")
    return "\n".join(lines) + "\n"


def _map(guesses: dict[str, Guess]) -> tuple[dict[str, Any], list[str]] | None:
    """Guesses as settings of a field map, with remarks; None without a voltage."""
    if "voltage" not in guesses:
        return None
    settings: dict[str, Any] = {}
    remarks = []
    for what, (field, unit, why) in guesses.items():
        if what == "time":
            settings[what] = {"field": field, "kind": unit}
        elif what == "monotonic":
            settings[what] = {"field": field, "unit": unit or "ms"}
        elif unit == "mV over the shunt":
            settings[what] = {"field": field, "unit": "mV", "shunt_ohm": 0.0001}
            remarks.append("shunt_ohm is that of a 500 A, 50 mV shunt; write your own: its millivolts divided by 1000 and by its amperes.")
        else:
            settings[what] = field if unit is None else {"field": field, "unit": unit}
        if what in ("voltage", "current", "temperature", "charge"):
            remarks.append(f"{what} is field {field!r}, because {why}.")
    order = ("voltage", "current", "temperature", "charge", "time", "sequence", "boot_id", "monotonic", "battery")
    return {key: settings[key] for key in order if key in settings}, remarks


def _columns(rows: Iterable[dict[Field, Any]]) -> dict[Field, Column]:
    rows = list(rows)
    fields: dict[Field, None] = {}
    for row in rows:
        fields.update(dict.fromkeys(row))
    return {field: [row.get(field) for row in rows] for field in fields}


def _json(sample: list[bytes]) -> Recognised:
    rows = []
    for message in sample:
        parsed = _parsed(message, orjson.loads)
        for row in parsed if isinstance(parsed, list) else [parsed]:
            if isinstance(row, dict):
                rows.append(dict(_flat(row)))
    found = _map(guess(_columns(rows))) if rows else None
    return None if found is None else ("json", *found)


def _flat(row: dict[str, Any], before: str = "") -> Iterable[tuple[Field, Any]]:
    for key, value in row.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{key}.")
        elif isinstance(value, list):
            yield from _flat({str(i): v for i, v in enumerate(value[:16])}, f"{before}{key}.")
        elif not isinstance(value, bool):
            yield before + key, value


def _senml(sample: list[bytes]) -> Recognised:
    for decoder, load in (("senml", orjson.loads), ("senml-cbor", cbor2.loads)):
        names = []
        for message in sample:
            pack = _parsed(message, load)
            for row in pack if isinstance(pack, list) else ():
                if isinstance(row, dict) and ({"v", "bn", "n"} & set(row) or {2, 0, -2} & set(row)):
                    names.append((str(row.get("n", row.get(0, ""))) or str(row.get("bn", row.get(-2, ""))), row.get("v", row.get(2))))
        found = _map(guess({name: [v for n, v in names if n == name] for name, _ in names})) if names else None
        if found is not None:
            settings = {key: value["field"] if isinstance(value, dict) else value for key, value in found[0].items()}
            allowed = ("voltage", "current", "temperature", "charge")
            return decoder, {key: settings[key] for key in allowed if key in settings}, found[1]
    return None


def _nmea(sample: list[bytes]) -> Recognised:
    names: dict[str, str] = {}
    for message in sample:
        cells = message.partition(b"*")[0].decode(errors="replace").split(",")
        if message.startswith(b"$") and cells[0][3:] == "XDR":
            for kind, transducer in zip(cells[1::4], cells[4::4], strict=False):
                quantity = {"U": "voltage", "I": "current", "C": "temperature"}.get(kind)
                if quantity is not None:
                    names.setdefault(quantity, transducer)
    if "voltage" not in names:
        return None
    return "nmea-xdr", {"voltage": names["voltage"], "current": names.get("current"), "temperature": names.get("temperature")}, []


def _pairs(sample: list[bytes]) -> Recognised:
    texts = _texts(sample)
    for between in ("=", ":"):
        for delimiter in (",", ";", "\t", "|", "&", ""):
            rows: list[dict[Field, Any]] = []
            for text in texts:
                cells = [cell.partition(between) for cell in text.split(delimiter or None) if cell.strip()]
                if cells and all(found and key.strip() for key, found, _ in cells):
                    rows.append({key.strip(): _value(value.strip()) for key, _, value in cells})
            if len(rows) >= len(texts) / 2 and rows and max(len(r) for r in rows) >= (1 if delimiter == "" else 2):
                found_map = _map(guess(_columns(rows)))
                if found_map is not None:
                    return "delimited", {"delimiter": delimiter, "pairs": between, **found_map[0]}, found_map[1]
    return None


def _delimited(sample: list[bytes]) -> Recognised:
    texts = _texts(sample)
    for delimiter in ("\t", ";", "|", ",", ""):
        for decimal in (".", ","):
            if decimal == delimiter:
                continue
            rows: list[dict[Field, Any]] = []
            for text in texts:
                cells = [cell.strip() for cell in text.split(delimiter or None)]
                rows.append({i + 1: _value(cell.replace(decimal, ".") if decimal == "," else cell) for i, cell in enumerate(cells)})
            found = _map(guess(_columns(rows))) if rows and (delimiter == "" or max(len(r) for r in rows) > 1) else None
            if found is not None:
                layout: dict[str, Any] = {"delimiter": delimiter}
                if decimal == ",":
                    layout["decimal"] = decimal
                return "delimited", {**layout, **found[0]}, found[1]
    return None


def _texts(sample: list[bytes]) -> list[str]:
    texts = [m.decode(errors="replace") for m in sample]
    return [t for t in texts if not t.startswith("#")]


def _value(text: str) -> float | str | None:
    return float(text) if _NUMBER.fullmatch(text) else text or None


def _parsed(message: bytes, load: Callable[[bytes], Any]) -> Any:
    try:
        return load(message)
    except (ValueError, cbor2.CBORError, TypeError, RecursionError, OverflowError, MemoryError):
        return None
