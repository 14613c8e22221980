"""What every field map shares: where a quantity stands, its unit, scale, offset and sign, and how raw values become a `Reading`.

Knows no wire format and does no I/O. Where a value cannot be believed it answers with the reason instead of a reading.
"""

from collections.abc import Callable
from math import isfinite
from typing import Any, Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, model_validator

from analytics.reading import Reading
from ingest.formats.times import Kind, time_ms

UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "voltage": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
    "current": {"A": (1.0, 0.0), "mA": (1e-3, 0.0)},
    "shunt": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
    "temperature": {"Cel": (1.0, 0.0), "°C": (1.0, 0.0), "K": (1.0, -273.15)},
    "charge": {"Ah": (1.0, 0.0), "mAh": (1e-3, 0.0), "C": (1 / 3600, 0.0)},
}
"""Unit → (factor, addend) into V, A, °C, Ah. Names after the SenML units (RFC 8428 and RFC 8798): there `C` is the coulomb."""

RANGES = {"voltage": (0.0, 100.0), "current": (-5000.0, 5000.0), "temperature": (-127.0, 150.0), "charge": (-1e6, 1e6)}
"""Beyond these no house battery lives (judgement: 48 V nominal is the highest seen). −127 and 85 °C are what common digital
thermometers send instead of an error; they pass, because the core judges them as a sensor's fault."""

LONGEST_ID = 64


class Quantity(BaseModel):
    """Where one quantity stands and what it means: (raw × scale + offset) in `unit`. A bare field name is enough for the rest as default."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    field: str | int
    unit: str | None = None
    """None: V, A, Cel or Ah; or what the payload says itself (SenML)."""
    scale: float = 1.0
    offset: float = 0.0
    positive: Literal["charging", "discharging"] = "charging"
    """What a positive number means in the sensor's own convention."""
    shunt_ohm: float | None = None
    """The number is the voltage over a shunt of this resistance, `unit` V or mV."""

    @model_validator(mode="before")
    @classmethod
    def _bare(cls, given: Any) -> Any:
        return {"field": given} if isinstance(given, str | int) and not isinstance(given, bool) else given

    @model_validator(mode="after")
    def _sane(self) -> "Quantity":
        if not isfinite(self.scale) or self.scale == 0 or not isfinite(self.offset):
            raise ValueError("scale must be a number other than 0, offset a number")
        if self.shunt_ohm is not None and not 1e-6 <= self.shunt_ohm <= 1:
            raise ValueError("shunt_ohm must be between 0.000001 and 1 ohm (a 500 A, 50 mV shunt has 0.0001)")
        return self


class Counter(BaseModel):
    """The sender's own monotonic time."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    field: str | int
    unit: Literal["ms", "s"] = "ms"


class Time(BaseModel):
    """Where the time stands: RFC 3339 with a zone, or seconds or milliseconds since 1970."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    field: str | int
    kind: Kind = "rfc3339"


class FieldMap(BaseModel):
    """Which field is what. Only the voltage is required; a voltage-only sender is a sensor like any other."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    voltage: Quantity
    current: Quantity | None = None
    temperature: Quantity | None = None
    charge: Quantity | None = None
    time: Time | None = None
    sequence: str | int | None = None
    boot_id: str | int | None = None
    monotonic: Counter | None = None
    battery: str | int | None = None

    @model_validator(mode="after")
    def _units(self) -> "FieldMap":
        for name in ("voltage", "current", "temperature", "charge"):
            quantity: Quantity | None = getattr(self, name)
            if quantity is None:
                continue
            if quantity.shunt_ohm is not None and name != "current":
                raise ValueError(f"{name}: only a current has a shunt_ohm")
            if quantity.positive != "charging" and name in ("voltage", "temperature"):
                raise ValueError(f"{name}: only current and charge have a sign to turn")
            allowed = UNITS["shunt" if quantity.shunt_ohm is not None else name]
            if quantity.unit is not None and quantity.unit not in allowed:
                raise ValueError(f"{name}.unit = {quantity.unit!r}: expected one of {', '.join(allowed)}")
        return self


class Line(NamedTuple):
    """One quantity, ready for use: raw × mul + add is in V, A, °C or Ah with the sign of the core."""

    name: str
    field: str | int
    mul: float
    add: float
    low: float
    high: float


def line_of(name: str, quantity: Quantity, unit: str | None = None) -> Line | None:
    """The straight line for a quantity, in the map's unit or the payload's own; None for a unit that this quantity cannot have."""
    units = UNITS["shunt" if quantity.shunt_ohm is not None else name]
    chosen = unit or quantity.unit or next(iter(units))
    if chosen not in units:
        return None
    factor, addend = units[chosen]
    sign = 1.0 if quantity.positive == "charging" else -1.0
    if quantity.shunt_ohm is not None:
        factor /= quantity.shunt_ohm
    low, high = RANGES[name]
    return Line(name, quantity.field, sign * quantity.scale * factor, sign * (quantity.offset * factor + addend), low, high)


Get = Callable[[str | int], object]
"""The raw value of a field; None where it is missing or empty."""


class Maker:
    """Raw values → Reading, for one battery (or for the battery that the payload names)."""

    __slots__ = ("battery_field", "battery_id", "boot_id", "charge", "current", "monotonic", "sequence", "temperature", "time", "voltage")

    def __init__(self, fields: FieldMap, battery_id: str | None) -> None:
        def line(name: str) -> Line | None:
            quantity = getattr(fields, name)
            return None if quantity is None else line_of(name, quantity)

        voltage = line("voltage")
        assert voltage is not None
        self.voltage, self.current, self.temperature, self.charge = voltage, line("current"), line("temperature"), line("charge")
        self.time, self.sequence, self.boot_id, self.monotonic = fields.time, fields.sequence, fields.boot_id, fields.monotonic
        self.battery_id, self.battery_field = battery_id, fields.battery

    def reading(self, get: Get, received_ms: int) -> Reading | str:
        """A reading, or the reason why these fields are none."""
        voltage = value(self.voltage, get)
        if not isinstance(voltage, float):
            return voltage or "voltage missing"
        current = temperature = charge = None
        if self.current is not None and isinstance(current := value(self.current, get), str):
            return current
        if self.temperature is not None and isinstance(temperature := value(self.temperature, get), str):
            return temperature
        if self.charge is not None and isinstance(charge := value(self.charge, get), str):
            return charge
        at_ms: int | str = received_ms
        if self.time is not None and isinstance(at_ms := time_of(self.time, get, received_ms), str):
            return at_ms
        battery_id: str | None = self.battery_id
        if battery_id is None and (battery_id := self._battery(get)) is None:
            return "battery missing"
        if self.sequence is None and self.boot_id is None and self.monotonic is None:
            return Reading(battery_id, at_ms, voltage, current, temperature, charge)  # type: ignore[arg-type]
        named = self._named(get)
        if isinstance(named, str):
            return named
        return Reading(battery_id, at_ms, voltage, current, temperature, charge, *named)  # type: ignore[arg-type]

    def _battery(self, get: Get) -> str | None:
        return None if self.battery_field is None else identifier(get(self.battery_field))

    def _named(self, get: Get) -> tuple[int, int | None, str | None] | str:
        """Sequence, monotonic time and boot."""
        sequence: int | None = 0
        if self.sequence is not None and (raw := get(self.sequence)) is not None and (sequence := whole(raw)) is None:
            return "sequence is not a whole number"
        monotonic = None
        if self.monotonic is not None and (raw := get(self.monotonic.field)) is not None:
            ticks = number(raw)
            if isinstance(ticks, str) or not 0 <= ticks < 1e15:
                return "monotonic time is not a number"
            monotonic = round(ticks * (1 if self.monotonic.unit == "ms" else 1000))
        boot_id = None
        if self.boot_id is not None and (raw := get(self.boot_id)) is not None and (boot_id := identifier(raw)) is None:
            return "boot id is not a short text"
        return sequence or 0, monotonic, boot_id


def value(line: Line, get: Get) -> float | str | None:
    """The quantity in V, A, °C or Ah; None where the field is missing or empty; a text says why it cannot be."""
    raw = get(line.field)
    if raw is None:
        return None
    plain = number(raw)
    if type(plain) is str:
        return f"{line.name} {plain}"
    result = plain * line.mul + line.add  # type: ignore[operator]
    if line.low <= result <= line.high:
        return result
    return f"{line.name} out of range"


def number(raw: object) -> float | str:
    """A finite number, or why not. Texts are refused here: a decoder of texts parses them itself, strictly."""
    kind = type(raw)
    if kind is float:
        return raw if isfinite(raw) else "is not finite"  # type: ignore[arg-type,return-value]
    if kind is int:
        return float(raw) if -(2**63) < raw < 2**64 else "is not a number"  # type: ignore[arg-type,operator]
    return "is not a number"


def whole(raw: object) -> int | None:
    """A whole number from 0 to 2^63 − 1, or None."""
    if type(raw) is float and raw.is_integer():
        raw = int(raw)
    return raw if type(raw) is int and 0 <= raw < 2**63 else None


def identifier(raw: object) -> str | None:
    """A short text or whole number as an id, or None."""
    if type(raw) is int or (type(raw) is float and raw.is_integer()):
        raw = str(int(raw)) if abs(raw) < 2**64 else ""
    if type(raw) is not str or not 0 < len(raw) <= LONGEST_ID or not raw.isprintable():
        return None
    return raw


def time_of(time: Time, get: Get, received_ms: int) -> int | str:
    """The time of the payload; the time of receipt where the field is missing or empty; a text says why it cannot be."""
    raw = get(time.field)
    return received_ms if raw is None else time_ms(raw, time.kind)
