"""Our values (NamedTuples, and Battery) as JSON text and back. Lists in the order of the fields; no validation of their content."""

import json
import types
from dataclasses import asdict
from functools import cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import orjson

from analytics.battery import Battery, ChargeWindow, Sensor

T = TypeVar("T")


def dumps(value: object) -> str:
    """A NamedTuple, tuple, list or plain value as compact JSON; a NaN becomes null."""
    return orjson.dumps(value, default=list).decode()


def loads(kind: type[T], text: str) -> T:
    """The value of this kind. Fields that an older version did not write get their defaults."""
    revived: T = _revived(kind, json.loads(text))
    return revived


def battery_dumps(battery: Battery) -> str:
    return json.dumps(asdict(battery), separators=(",", ":"), ensure_ascii=False, sort_keys=True)


def battery_loads(text: str) -> Battery:
    """The declaration. Raises analytics.battery.DeclarationError if this version does not accept it any more."""
    fields = json.loads(text)
    table = fields.pop("rest_voltage_table")
    sensor, window = Sensor(**fields.pop("sensor")), ChargeWindow(**fields.pop("charge_window"))
    pairs = None if table is None else tuple((float(pct), float(volts)) for pct, volts in table)
    return Battery(**fields, rest_voltage_table=pairs, sensor=sensor, charge_window=window)


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _revived(hint: Any, value: Any) -> Any:
    if value is None:
        return None
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        options = [option for option in get_args(hint) if option is not type(None)]
        return _revived(options[0], value) if len(options) == 1 else _tupled(value)
    if origin is tuple:
        args = get_args(hint)
        if len(args) == 2 and args[1] is Ellipsis:
            return tuple(_revived(args[0], v) for v in value)
        return tuple(_revived(h, v) for h, v in zip(args, value, strict=True))
    if isinstance(hint, type) and issubclass(hint, tuple) and hasattr(hint, "_fields"):
        hints = _hints(hint)
        return hint(*(_revived(hints[name], v) for name, v in zip(hint._fields, value, strict=False)))
    return _tupled(value)


def _tupled(value: Any) -> Any:
    return tuple(_tupled(v) for v in value) if isinstance(value, list) else value
