"""A state as bytes and back, with a schema version: deflated JSON (RFC 1950), so that any version can be read by a person.

What is declared (battery, model) and what can be made again (details) is not kept.
"""

import json
import types
import zlib
from typing import Any, Union, get_args, get_origin, get_type_hints

from analytics.battery import Battery
from analytics.core import State, begin

SCHEMA = 1
KEPT = ("belief", "last_ms", "open_span", "span", "sensors", "charging", "use", "trend", "care", "ageing", "alerts", "judged_ms")


class SchemaError(ValueError):
    """The bytes were written by another version of the state; fold the history instead."""


def dumps(state: State) -> bytes:
    """The state as bytes; `loads(state.battery, dumps(state))` equals it but for `details`."""
    kept = [getattr(state, name) for name in KEPT]
    return zlib.compress(json.dumps([SCHEMA, *kept], separators=(",", ":"), allow_nan=False).encode())


def loads(battery: Battery, kept: bytes) -> State:
    """The state of this battery from bytes. Raises SchemaError where they are not of this version."""
    try:
        schema, *values = json.loads(zlib.decompress(kept))
        if schema != SCHEMA or len(values) != len(KEPT):
            raise SchemaError(f"state of schema {schema}, this version reads {SCHEMA}")
        hints = get_type_hints(State)
        revived = {name: _revived(hints[name], value) for name, value in zip(KEPT, values, strict=True)}
    except (ValueError, TypeError, zlib.error) as e:
        raise SchemaError(f"not a kept state: {e}") from e
    return begin(battery)._replace(**revived)


def _revived(hint: Any, value: Any) -> Any:
    """JSON lists back to the tuples and named tuples that the annotations name."""
    if value is None:
        return None
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        options = [h for h in get_args(hint) if h is not type(None)]
        return _revived(options[0], value) if len(options) == 1 else _tupled(value)
    if origin is tuple:
        args = get_args(hint)
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(_revived(args[0], v) for v in value)
        return tuple(_revived(h, v) for h, v in zip(args, value, strict=True))
    if isinstance(hint, type) and issubclass(hint, tuple) and hasattr(hint, "_fields"):
        hints = get_type_hints(hint)
        return hint(*(_revived(hints[f], v) for f, v in zip(hint._fields, value, strict=True)))
    return _tupled(value)


def _tupled(value: Any) -> Any:
    return tuple(_tupled(v) for v in value) if isinstance(value, list) else value
