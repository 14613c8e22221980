"""What the owner declares about a battery. No defaults for what nobody may assume, no parsing of files."""

import re
from dataclasses import dataclass, field
from itertools import pairwise
from math import isfinite

from analytics.chemistries import CHEMISTRIES
from analytics.chemistry import Chemistry

STRICT = {"extra": "forbid"}
"""Read by whoever parses a declaration: a key that is not a field is a mistake."""


class DeclarationError(ValueError):
    """A declared value cannot be: says key, value and what was expected."""

    def __init__(self, key: str, value: object, expected: str) -> None:
        super().__init__(f"{key} = {value!r}: expected {expected}")
        self.key, self.value, self.expected = key, value, expected


LONGEST_ID = 64
"""Characters; judgement: longer than any plate or fleet number, short enough for every index and topic."""
ID_FORM = re.compile(rf"[A-Za-z0-9_-]{{1,{LONGEST_ID}}}", re.ASCII)


def checked_battery_id(battery_id: str) -> str:
    """The id, if it is one level of a topic. Raises DeclarationError.

    A broker that routes MQTT over AMQP takes a dot and a slash for the same separator (measured: `readings.a` reaches who
    subscribed `readings/a`), and `+`, `#`, `*` are wildcards: such an id could receive or hide another battery's readings.
    """
    if not isinstance(battery_id, str) or not ID_FORM.fullmatch(battery_id):
        raise DeclarationError("id", battery_id, f"1 to {LONGEST_ID} letters, digits, hyphens or underscores (no dot, no slash)")
    return battery_id


@dataclass(frozen=True, slots=True)
class Sensor:
    """How far the sensor may be wrong, one standard deviation each, as its maker states.

    The defaults are a judgement: a class 0.5 shunt with a 16-bit converter (check values, shunts) and a 1 ‰ voltmeter.
    """

    __pydantic_config__ = STRICT

    current_gain_pct: float = 1.0
    current_offset_a: float = 0.05
    voltage_offset_v: float = 0.02
    measures_current: bool = True


@dataclass(frozen=True, slots=True)
class ChargeWindow:
    """A maker's own charging limits for the whole battery at 25 °C, volts; they win over the chemistry's. None: not stated."""

    __pydantic_config__ = STRICT

    absorption_low_v: float | None = None
    absorption_high_v: float | None = None
    float_low_v: float | None = None
    float_high_v: float | None = None
    equalisation_high_v: float | None = None
    max_charge_current_a: float | None = None
    compensation_v_per_k: float | None = None
    """For the whole battery, negative where the voltage must fall with warmth."""


@dataclass(frozen=True, slots=True)
class Battery:
    """One battery as declared. `rest_voltage_table` is ((percent, volts), …) of the whole battery at 25 °C, rising."""

    __pydantic_config__ = STRICT

    id: str
    chemistry: str
    rated_capacity_ah: float
    rated_hours: float = 20.0
    cells: int = 0
    """In series; 0: the usual twelve-volt battery, six lead-acid cells or four lithium ones."""
    rest_voltage_table: tuple[tuple[float, float], ...] | None = None
    initial_state_of_charge_pct: float | None = None
    safe_limit_pct: float | None = None
    """State of charge below which the owner does not want to fall; None: the chemistry's."""
    rated_cycles: float | None = None
    rated_cycles_depth_pct: float = 50.0
    sensor: Sensor = field(default_factory=Sensor)
    charge_window: ChargeWindow = field(default_factory=ChargeWindow)
    burst_limit_a: float | None = None
    vehicle: str = ""
    site: str = ""
    owner: str = ""
    next_hire: str | None = None
    """Date (RFC 3339 full-date) of the next hire."""
    response_stored_h: float = 72.0
    response_in_use_h: float = 2.0
    reading_interval_s: float | None = None
    """How often the sensor is expected to speak; None: learned from what arrives."""
    coldest_expected_c: float | None = None
    fleet: str = ""
    """Whose battery it is: a token of another fleet does not find it. Empty: there is only one fleet."""

    def __post_init__(self) -> None:
        checked_battery_id(self.id)
        if self.chemistry not in CHEMISTRIES:
            raise DeclarationError("chemistry", self.chemistry, "one of " + ", ".join(CHEMISTRIES))
        if self.cells == 0 and not isinstance(self.cells, bool):
            object.__setattr__(self, "cells", self.kind.cells_12v)
        _within("rated_capacity_ah", self.rated_capacity_ah, 1, 5000, "ampere-hours from 1 to 5000")
        _within("rated_hours", self.rated_hours, 1, 120, "hours from 1 to 120")
        if isinstance(self.cells, bool) or not isinstance(self.cells, int) or not 1 <= self.cells <= 48:
            raise DeclarationError("cells", self.cells, "a whole number from 1 to 48")
        for key in ("initial_state_of_charge_pct", "safe_limit_pct"):
            if (value := getattr(self, key)) is not None:
                _within(key, value, 0, 100, "a percentage from 0 to 100, or nothing")
        for key in ("current_gain_pct", "current_offset_a", "voltage_offset_v"):
            _within(f"sensor.{key}", getattr(self.sensor, key), 0, 100, "a number from 0 to 100")
        _within("response_stored_h", self.response_stored_h, 1, 24 * 60, "hours from 1 to 1440")
        _within("response_in_use_h", self.response_in_use_h, 0.1, 24 * 7, "hours from 0.1 to 168")
        if self.rest_voltage_table is not None:
            _rising(self.rest_voltage_table, self.cells)

    @property
    def kind(self) -> Chemistry:
        return CHEMISTRIES[self.chemistry]

    @property
    def limit_pct(self) -> float:
        """The state of charge that must not be passed, percent."""
        return self.kind.safe_limit_pct.value if self.safe_limit_pct is None else self.safe_limit_pct


def _within(key: str, value: float, low: float, high: float, expected: str) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value) or not low <= value <= high:
        raise DeclarationError(key, value, expected)


def _rising(table: tuple[tuple[float, float], ...], cells: int) -> None:
    expected = "[[percent, volts], …] from 0 to 100 percent, both rising, 1.5 to 4 volts a cell"
    pct = [p for p, _ in table]
    volts = [v for _, v in table]
    rising = len(table) >= 3 and all(a < b for s in (pct, volts) for a, b in pairwise(s))
    if not rising or pct[0] < 0 or pct[-1] > 100 or not (1.5 * cells <= volts[0] and volts[-1] <= 4.0 * cells):
        raise DeclarationError("rest_voltage_table", table, expected)
