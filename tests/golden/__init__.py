"""Recorded bytes of every format and what they mean, read from the folders beside this file."""

import json
from pathlib import Path
from typing import Any, NamedTuple

from analytics.reading import Reading
from ingest.decoder import Decoder, Rejected
from ingest.formats import FORMATS

HERE = Path(__file__).parent
RECEIVED_MS = 1_772_370_000_000
"""2026-03-01T13:00:00Z: when the captures are fed."""


class Golden(NamedTuple):
    """One folder."""

    name: str
    format: str
    settings: dict[str, Any]
    stream: bytes | None
    """The capture as one stream; None where the format has messages only."""
    messages: list[bytes]
    expected: list[Any]

    def decoder(self, battery_id: str | None = "van7") -> Decoder:
        made = FORMATS[self.format]
        return made.decoder(made.settings.model_validate(self.settings), battery_id)


def golden(name: str) -> Golden:
    folder = HERE / name
    settings = json.loads((folder / "settings.json").read_text())
    expected = json.loads((folder / "expected.json").read_text())
    format_name = settings.pop("format")
    if (folder / "capture.hex").exists():
        messages = [bytes.fromhex(line) for line in (folder / "capture.hex").read_text().split()]
        stream = b"".join(messages) if format_name != "senml-cbor" and name != "modbus" else None
        return Golden(name, format_name, settings, stream, messages, expected)
    stream = (folder / "capture.txt").read_bytes()
    return Golden(name, format_name, settings, stream, stream.splitlines(), expected)


GOLDEN = [golden(folder.name) for folder in sorted(HERE.iterdir()) if (folder / "settings.json").exists()]


def plain(result: Reading | Rejected, received_ms: int = RECEIVED_MS) -> Any:
    """As expected.json writes it. A time less than a minute before the receipt is written relative to it."""
    if isinstance(result, Rejected):
        return result.reason
    relative = result.at_ms - received_ms
    at = None if relative == 0 else relative if -60_000 < relative < 0 else result.at_ms
    numbers = [None if x is None else round(x, 6) for x in (result.voltage_v, result.current_a, result.temperature_c, result.charge_ah)]
    return [at, *numbers, result.sequence]
