"""Which field of a sample is which quantity: guessed from names, units in names, and the range of the numbers. Pure.

A guess is a proposal for a person to look at; nothing here decides anything while the service runs.
"""

import re
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from ingest.formats.times import rfc3339_ms

Field = str | int
Column = Sequence[float | str | None]
"""The values of one field over the sample; texts where they are no numbers."""

_NAMES = {
    "voltage": re.compile(r"(?:^|[._\-/ ])(u|v|volts?|voltage|vbatt?|ubatt?|batt?ery_?v(?:oltage)?|mv|millivolts?|voltage_m?v)$"),
    "current": re.compile(r"(?:^|[._\-/ ])(i|a|amps?|amperes?|current|ibatt?|ma|milliamps?|current_m?a|shunt|shunt_mv)$"),
    "temperature": re.compile(r"(?:^|[._\-/ ])(t|temp|temperature|celsius|cel|degc|kelvin|temperature_[ck]|temp_[ck])$"),
    "charge": re.compile(r"(?:^|[._\-/ ])(q|ah|mah|charge|amp_?hours?|coulombs?|charge_m?ah|consumed_ah)$"),
    "time": re.compile(r"(?:^|[._\-/ ])(t|ts|at|time|timestamp|date|datetime|utc|time_m?s|at_ms|epoch)$"),
    "sequence": re.compile(r"(?:^|[._\-/ ])(n|seq|sequence|count|counter|no|nr|msg|message_?id)$"),
    "monotonic": re.compile(r"(?:^|[._\-/ ])(up|uptime|uptime_m?s|monotonic|monotonic_ms|millis)$"),
    "boot_id": re.compile(r"(?:^|[._\-/ ])(boot|boot_?id)$"),
    "battery": re.compile(r"(?:^|[._\-/ ])(battery|battery_?id|bank|device|device_?id|id)$"),
}
"""Words of the trade and their short forms; the most telling part of a name stands at its end."""


class Guess(NamedTuple):
    """One field and why it was taken for what."""

    field: Field
    unit: str | None
    """None: the usual one."""
    why: str


def guess(columns: Mapping[Field, Column]) -> dict[str, Guess]:
    """Quantity → the field that is most likely it. A field is used once; what cannot be told is left out."""
    found: dict[str, Guess] = {}
    left = dict(columns)
    for what in ("time", "voltage", "current", "charge", "temperature", "monotonic", "sequence", "boot_id", "battery"):
        for field, values in left.items():
            chosen = _by_name(what, field, values)
            if chosen is not None:
                found[what] = chosen
                del left[field]
                break
    for what in ("time", "voltage", "current", "temperature"):
        if what in found:
            continue
        for field, values in left.items():
            if isinstance(field, str) and what != "voltage":
                continue  # a name that says something else is not overruled by its numbers
            chosen = _by_range(what, field, values)
            if chosen is not None:
                found[what] = chosen
                del left[field]
                break
    return found


def _by_name(what: str, field: Field, values: Column) -> Guess | None:
    if not isinstance(field, str) or not _NAMES[what].search(field.lower()):
        return None
    name = field.lower()
    if what == "time":
        kind = time_kind(values)
        return None if kind is None else Guess(field, kind, f"its name is {field!r} and it holds times")
    if what in ("boot_id", "battery"):
        return Guess(field, None, f"its name is {field!r}") if any(isinstance(v, str) for v in values) else None
    numbers = _numbers(values)
    if not numbers:
        return None
    if what == "sequence":
        return Guess(field, None, f"its name is {field!r} and it counts") if all(x == int(x) and x >= 0 for x in numbers) else None
    unit = _unit(what, name, numbers)
    return None if unit == "no" else Guess(field, unit, f"its name is {field!r}")


def _unit(what: str, name: str, numbers: list[float]) -> str | None:
    """The unit that name and numbers tell; None: the usual one; `no`: it cannot be this quantity."""
    most = max(abs(x) for x in numbers)
    if what == "voltage":
        milli = name.endswith("mv") or name.startswith("milli") or most > 100
        scaled = most / (1000 if milli else 1)
        return "no" if not 1 <= scaled <= 100 else "mV" if milli else None
    if what == "current":
        return (
            "mV over the shunt" if "shunt" in name else "mA" if name.endswith("ma") or name.startswith("milli") or _milli(numbers) else None
        )
    if what == "temperature":
        if name.endswith("k") or name == "kelvin" or 200 < min(numbers) <= most < 350:
            return "K"
        return "no" if most > 150 else None
    if what == "charge":
        return "C" if "coulomb" in name else "mAh" if name.endswith("mah") else None
    return "s" if what == "monotonic" and name.endswith("_s") else None


def _milli(numbers: list[float]) -> bool:
    """Whether currents are told in milliamperes. Judgement: whole numbers beyond 300 are hardly amperes, for that is a mover at its start."""
    most = max(abs(x) for x in numbers)
    return most > 5000 or (most > 300 and all(x == int(x) for x in numbers))


def _by_range(what: str, field: Field, values: Column) -> Guess | None:
    if what == "time":
        kind = time_kind(values)
        return None if kind is None else Guess(field, kind, "it holds times")
    numbers = _numbers(values)
    if not numbers or len(numbers) < len(values) / 2:
        return None
    low, high = min(numbers), max(numbers)
    if what == "voltage":
        for unit, factor in ((None, 1.0), ("mV", 1000.0)):
            if 9 * factor <= low and high <= 65 * factor and high <= 1.6 * low:
                return Guess(field, unit, f"its numbers ({low:g} to {high:g}) look like a house battery's voltage")
        return None
    if what == "current":
        if low >= -500 and high <= 500 and not _milli(numbers) and not _counts(numbers):
            return Guess(field, None, f"it stands beside the voltage and holds {low:g} to {high:g}")
        if low >= -200_000 and high <= 200_000 and not _counts(numbers):
            return Guess(field, "mA", f"it stands beside the voltage and holds {low:g} to {high:g}")
        return None
    return (
        Guess(field, None, f"its numbers ({low:g} to {high:g}) look like a temperature")
        if low >= -40 and high <= 80 and not _counts(numbers)
        else None
    )


def time_kind(values: Column) -> str | None:
    """rfc3339, unix_s or unix_ms, if all values are times of this century."""
    present = [v for v in values if v is not None]
    if not present:
        return None
    if all(isinstance(v, str) and isinstance(rfc3339_ms(v), int) for v in present):
        return "rfc3339"
    if all(isinstance(v, int | float) and 1.0e9 <= v < 5e9 for v in present):
        return "unix_s"
    if all(isinstance(v, int | float) and 1.0e12 <= v < 5e12 for v in present):
        return "unix_ms"
    return None


def _numbers(values: Column) -> list[float]:
    return [v for v in values if isinstance(v, int | float) and not isinstance(v, bool)]


def _counts(numbers: list[float]) -> bool:
    """Whole numbers that go up one by one: a sequence, not a measurement."""
    return len(numbers) >= 3 and all(b - a == 1 for a, b in pairwise(numbers))
