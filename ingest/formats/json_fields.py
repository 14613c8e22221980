"""JSON objects with a field map: `{"volts": 12.62, "shunt": {"amps": -3.4}}`. An array holds several readings.

A field is a dotted path (`shunt.amps`, `cells.0`). NaN, infinities, numbers as texts and booleans as numbers are refused.
"""

import orjson

from analytics.reading import Reading
from ingest.decoder import Decoder, Rejected
from ingest.formats.framed import NOT_JSON, FramedJson
from ingest.formats.lines import Lines, rejected
from ingest.formats.quantities import FieldMap, Maker

MOST_ROWS = 10_000
"""Readings that one message may hold; judgement: a week of minutes."""


class JsonFields(FieldMap):
    """Settings of format `json`."""


def json_decoder(settings: JsonFields, battery_id: str | None) -> Decoder:
    maker = Maker(settings, battery_id)
    paths: dict[str | int, tuple[str, ...]] = {}

    def parse(frame: bytes, received_ms: int) -> list[Reading | Rejected]:
        try:
            parsed = orjson.loads(frame)
        except ValueError:
            return [rejected(NOT_JSON, frame)]
        if type(parsed) is dict:
            return [_reading(parsed, frame, received_ms)]
        if type(parsed) is not list:
            return [rejected("not a JSON object", frame)]
        if len(parsed) > MOST_ROWS:
            return [rejected("too many readings in one message", frame)]
        return [_reading(row, frame, received_ms) if type(row) is dict else rejected("not a JSON object", frame) for row in parsed]

    def _reading(row: dict[str, object], frame: bytes, received_ms: int) -> Reading | Rejected:
        def get(field: str | int) -> object:
            if field in row:
                return row[field]
            path = paths.get(field)
            if path is None:
                path = paths[field] = tuple(str(field).split("."))
            return _at(row, path) if len(path) > 1 else None

        result = maker.reading(get, received_ms)
        return rejected(result, frame) if type(result) is str else result  # type: ignore[return-value]

    return FramedJson(Lines(), parse)


def _at(found: object, path: tuple[str, ...]) -> object:
    for key in path:
        if type(found) is dict:
            found = found.get(key)
        elif type(found) is list and key.isascii() and key.isdigit() and len(key) < 6 and int(key) < len(found):
            found = found[int(key)]
        else:
            return None
    return found
