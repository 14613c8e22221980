"""Our values (NamedTuples, and Battery) as JSON text and back. Lists in the order of the fields; no validation of their content."""

import json
from dataclasses import asdict
from typing import TypeVar

import orjson

from analytics.battery import Battery, ChargeWindow, Sensor
from analytics.revive import revived

T = TypeVar("T")


def dumps(value: object) -> str:
    """A NamedTuple, tuple, list or plain value as compact JSON; a NaN becomes null."""
    return orjson.dumps(value, default=list).decode()


def loads(kind: type[T], text: str) -> T:
    """The value of this kind. Fields that an older version did not write get their defaults."""
    value: T = revived(kind, json.loads(text), strict=False)
    return value


def battery_dumps(battery: Battery) -> str:
    return json.dumps(asdict(battery), separators=(",", ":"), ensure_ascii=False, sort_keys=True)


def battery_loads(text: str) -> Battery:
    """The declaration. Raises analytics.battery.DeclarationError if this version does not accept it any more."""
    fields = json.loads(text)
    table = fields.pop("rest_voltage_table")
    sensor, window = Sensor(**fields.pop("sensor")), ChargeWindow(**fields.pop("charge_window"))
    pairs = None if table is None else tuple((float(pct), float(volts)) for pct, volts in table)
    return Battery(**fields, rest_voltage_table=pairs, sensor=sensor, charge_window=window)
