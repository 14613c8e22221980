"""A state as bytes and back, with a schema version: deflated JSON (RFC 1950), so that any version can be read by a person.

What is declared (battery, model) and what can be made again (details) is not kept.
"""

import json
import zlib
from functools import cache
from typing import get_type_hints

from analytics.battery import Battery
from analytics.core import State, begin
from analytics.revive import Maker, maker

SCHEMA = 4
KEPT = ("belief", "last_ms", "open_span", "span", "sensors", "charging", "use", "trend", "care", "ageing", "alerts", "judged_ms")


class SchemaError(ValueError):
    """The bytes were written by another version of the state; fold the history instead."""


def dumps(state: State) -> bytes:
    """The state as bytes; `loads(state.battery, dumps(state))` equals it but for `details`."""
    kept = [getattr(state, name) for name in KEPT]
    return zlib.compress(json.dumps([SCHEMA, *kept], separators=(",", ":"), allow_nan=False).encode())


def schema_of(kept: bytes) -> int | None:
    """Which schema wrote these bytes, without reading the rest; None where they are no kept state."""
    try:
        return int(zlib.decompressobj().decompress(kept, 12).decode().partition(",")[0].removeprefix("["))
    except (ValueError, zlib.error):
        return None


def loads(battery: Battery, kept: bytes) -> State:
    """The state of this battery from bytes. Raises SchemaError where they are not of this version."""
    try:
        schema, *values = json.loads(zlib.decompress(kept))
        if schema != SCHEMA or len(values) != len(KEPT):
            raise SchemaError(f"state of schema {schema}, this version reads {SCHEMA}")
        made = zip(_makers(), values, strict=True)
        fields = {name: value if make is None or value is None else make(value) for (name, make), value in made}
    except (ValueError, TypeError, zlib.error) as e:
        raise SchemaError(f"not a kept state: {e}") from e
    return begin(battery)._replace(**fields)


@cache
def _makers() -> list[tuple[str, Maker]]:
    hints = get_type_hints(State)
    return [(name, maker(hints[name])) for name in KEPT]
