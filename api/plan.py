"""Reads a plan of use (TOML) and a list of candidates (CSV). Every mistake names file, line, key, value and what was expected. Works nothing out."""

import csv
import re
import tomllib
from collections.abc import Mapping
from math import isfinite
from pathlib import Path
from typing import Any, NamedTuple

from analytics.budget.plan import Burst, Candidate, ChargerOnBoard, Consumer, Installed, Inverter, Plan, Sunlight, Tray
from analytics.chemistries import CHEMISTRIES
from api.mistakes import SettingsError


class Number(NamedTuple):
    """A key that holds a number, with its range and the unit in words."""

    low: float
    high: float
    words: str
    whole: bool = False


HOURS = Number(0, 24, "hours a day from 0 to 24")
WATTS, AMPS = (
    Number(0.001, 20_000, "watts from 0.001 to 20000, a number without its unit"),
    Number(0.001, 3000, "amperes from 0.001 to 3000, a number without its unit"),
)
PERCENT, CELSIUS = Number(0, 100, "percent from 0 to 100"), Number(-40, 60, "degrees Celsius from -40 to 60")
MM, KG = Number(1, 3000, "millimetres from 1 to 3000"), Number(0.1, 500, "kilograms from 0.1 to 500")
AH, VOLTS = Number(1, 5000, "ampere-hours from 1 to 5000"), Number(1, 70, "volts from 1 to 70")
TEXT, FLAG, CHEMISTRY = "text", "true or false", "one of " + ", ".join(CHEMISTRIES)

Kind = Number | str
TOP: dict[str, Kind] = {
    "name": TEXT, "nominal_v": Number(12, 48, "12, 24 or 48"), "days_away": Number(0.1, 365, "days from 0.1 to 365"), "hook_up": FLAG,
    "days_a_year": Number(0, 366, "days from 0 to 366"), "temperature_c": CELSIUS, "margin_pct": Number(0, 200, "percent from 0 to 200"),
    "usable_depth_pct": Number(5, 100, "percent from 5 to 100"), "end_of_life_pct": Number(50, 100, "percent from 50 to 100"),
}  # fmt: skip
CONSUMER: dict[str, Kind] = {
    "name": TEXT, "hours": HOURS, "power_w": WATTS, "current_a": AMPS, "duty_pct": PERCENT, "count": Number(1, 100, "a whole number from 1 to 100", True), "via_inverter": FLAG,
}  # fmt: skip
BURST: dict[str, Kind] = {
    "name": TEXT, "seconds": Number(0.1, 7200, "seconds from 0.1 to 7200"), "power_w": WATTS, "current_a": AMPS,
    "per_day": Number(0, 200, "times a day from 0 to 200"), "via_inverter": FLAG,
}  # fmt: skip
INVERTER: dict[str, Kind] = {
    "efficiency_pct": Number(30, 100, "percent from 30 to 100"), "standby_w": Number(0, 200, "watts from 0 to 200"), "hours": HOURS,
}  # fmt: skip
SUN: dict[str, Kind] = {
    "latitude_deg": Number(-66, 66, "degrees from -66 (south) to 66 (north)"), "month": Number(1, 12, "a whole number from 1 to 12", True),
    "panel_w": Number(0, 5000, "watts from 0 to 5000"), "sunshine_pct": PERCENT, "losses_pct": PERCENT,
}  # fmt: skip
CHARGER: dict[str, Kind] = {
    "current_a": AMPS, "absorption_v": VOLTS, "float_v": VOLTS, "hours_a_day": HOURS, "lithium_profile": FLAG,
}  # fmt: skip
BATTERY: dict[str, Kind] = {
    "chemistry": CHEMISTRY, "rated_capacity_ah": AH, "rated_hours": Number(1, 120, "hours from 1 to 120"), "rated_cycles": Number(1, 100_000, "cycles from 1 to 100000"),
    "rated_cycles_depth_pct": Number(1, 100, "percent from 1 to 100"), "burst_limit_a": AMPS, "resistance_ohm": Number(0.0001, 1, "ohms from 0.0001 to 1"),
    "health_pct": Number(10, 120, "percent from 10 to 120"),
}  # fmt: skip
TRAY: dict[str, Kind] = {"length_mm": MM, "width_mm": MM, "height_mm": MM, "weight_kg": KG}
CANDIDATE: dict[str, Kind] = {
    "name": TEXT, "chemistry": CHEMISTRY, "rated_capacity_ah": AH, "rated_hours": Number(1, 120, "hours from 1 to 120"),
    "rated_cycles": Number(1, 100_000, "cycles from 1 to 100000"), "rated_cycles_depth_pct": Number(1, 100, "percent from 1 to 100"), "length_mm": MM, "width_mm": MM,
    "height_mm": MM, "weight_kg": KG, "burst_limit_a": AMPS, "price": Number(0.01, 1_000_000, "a price from 0.01 to 1000000"),
}  # fmt: skip
CANDIDATE_NEEDS = ("name", "chemistry", "rated_capacity_ah", "rated_hours", "price")
TABLES = {"inverter": INVERTER, "sun": SUN, "charger": CHARGER, "battery": BATTERY, "tray": TRAY}


def read_plan(path: Path) -> Plan:
    """The plan in this TOML file. Raises SettingsError with a line for each mistake."""
    text = _text(path)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as e:
        raise SettingsError(path, [f"is not TOML: {e}"]) from e
    reader = _Reader(text)
    plan = _plan(reader, data)
    if reader.mistakes or plan is None:
        raise SettingsError(path, reader.mistakes)
    return plan


def plan_of(data: dict[str, Any]) -> Plan:
    """The plan in a request's JSON, with the same keys as the file. Raises SettingsError with a line for each mistake."""
    reader = _Reader(None)
    plan = _plan(reader, data)
    if reader.mistakes or plan is None:
        raise SettingsError("plan", reader.mistakes)
    return plan


def read_candidates(path: Path) -> list[Candidate]:
    """The batteries in this CSV file (comma or semicolon). Raises SettingsError with a line for each mistake."""
    text = _text(path)
    lines = text.splitlines()
    if not lines:
        raise SettingsError(path, ["is empty: expected a header line with " + ", ".join(CANDIDATE_NEEDS)])
    rows = csv.DictReader(lines, delimiter=";" if lines[0].count(";") > lines[0].count(",") else ",")
    header = [h.strip() for h in rows.fieldnames or []]
    rows.fieldnames = header
    mistakes = [f"line 1: column {c} is not known here; known are {', '.join(CANDIDATE)}" for c in header if c not in CANDIDATE]
    mistakes += [f"line 1: column {c} is missing" for c in CANDIDATE_NEEDS if c not in header]
    found: list[Candidate] = []
    for row in [] if mistakes else rows:
        one, wrong = _candidate(row, rows.line_num)
        mistakes += wrong
        if one is not None:
            found.append(one)
    if mistakes:
        raise SettingsError(path, mistakes)
    if not found:
        raise SettingsError(path, ["has no batteries below its header line"])
    return found


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except OSError as e:
        raise SettingsError(path, [f"cannot be read: {e.strerror}"]) from e
    except UnicodeDecodeError as e:
        raise SettingsError(path, ["is not text in UTF-8"]) from e


def _wrong(kind: Kind, value: Any) -> str | None:
    """What was expected, where the value is not of this kind; else None."""
    if isinstance(kind, Number):
        number = isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value)
        if not number or not kind.low <= value <= kind.high or (kind.whole and not isinstance(value, int)):
            return kind.words
        return "12, 24 or 48" if kind.words == "12, 24 or 48" and value not in (12, 24, 48) else None
    if kind == FLAG:
        return None if isinstance(value, bool) else kind
    if kind == CHEMISTRY:
        return None if value in CHEMISTRIES else kind
    return None if isinstance(value, str) and value.strip() else "a text that is not empty"


class _Reader:
    """Checks tables of the plan, and knows on which line of the text a key stands."""

    def __init__(self, text: str | None) -> None:
        self.lines = None if text is None else text.splitlines()
        self.mistakes: list[str] = []

    def line_of(self, table: str, nth: int, key: str | None) -> int:
        """Line of a key in the nth [table] or [[table]] ("" is the top); of the table's header where the key is not there."""
        assert self.lines is not None
        here, seen, header = "", -1, 1
        at = 0 if table == "" else -1
        for number, line in enumerate(self.lines, 1):
            if match := re.match(r"\s*\[\[?\s*([\w.-]+)\s*\]\]?", line):
                here = match[1]
                seen += here == table
                at = nth if here == table and seen == nth else -1
                header = number if at == nth else header
            elif key is not None and at == nth and re.match(rf'\s*"?{re.escape(key)}"?\s*=', line):
                return number
        return header

    def complain(self, table: str, nth: int, key: str | None, said: str) -> None:
        self.mistakes.append(said if self.lines is None else f"line {self.line_of(table, nth, key)}: {said}")

    def table(
        self, name: str, data: Mapping[str, Any], known: dict[str, Kind], nth: int = 0, *, skip: tuple[str, ...] = ()
    ) -> dict[str, Any]:
        """The values of one table that are right; a mistake for each that is not."""
        where = self.where(name, nth, data)
        good: dict[str, Any] = {}
        for key, value in data.items():
            if key in skip:
                continue
            if key not in known:
                self.complain(name, nth, key, f"{where}{key}: this key is not known here; known are {', '.join(known)}")
            elif (expected := _wrong(known[key], value)) is not None:
                self.complain(name, nth, key, f"{where}{key} = {_short(value)}: expected {expected}")
            else:
                good[key] = value
        return good

    def where(self, name: str, nth: int, data: Mapping[str, Any]) -> str:
        if name == "":
            return ""
        called = data.get("name")
        return f"{name} {nth + 1} ({called}), " if isinstance(called, str) else f"{name}, " if name in TABLES else f"{name} {nth + 1}, "

    def need(self, name: str, nth: int, data: Mapping[str, Any], good: Mapping[str, Any], *keys: str) -> bool:
        """Whether these keys are there; a mistake for each that is missing."""
        for key in keys:
            if key not in data:
                self.complain(name, nth, None, f"{self.where(name, nth, data)}{key}: this key is missing")
        return all(key in good for key in keys)

    def power(self, name: str, nth: int, data: Mapping[str, Any]) -> bool:
        """Exactly one of power_w and current_a: two units for one load are a mistake, none is too."""
        given = [k for k in ("power_w", "current_a") if k in data]
        if len(given) == 1:
            return True
        said = "both power_w and current_a: expected one of them" if given else "neither power_w nor current_a: expected one of them"
        self.complain(name, nth, given[-1] if given else None, f"{self.where(name, nth, data)}{said}")
        return False


def _plan(reader: _Reader, data: dict[str, Any]) -> Plan | None:
    top = reader.table("", data, TOP, skip=("consumer", "burst", *TABLES))
    reader.need("", 0, data, top, "name")
    consumers = _loads(reader, data, "consumer", CONSUMER, "hours", Consumer)
    bursts = _loads(reader, data, "burst", BURST, "seconds", Burst)
    if not data.get("consumer"):
        reader.complain("", 0, None, "consumer: expected at least one [[consumer]]")
    parts = {
        "inverter": _part(reader, data, "inverter", Inverter),
        "sun": _part(reader, data, "sun", Sunlight, "latitude_deg", "month", "panel_w"),
        "charger": _part(reader, data, "charger", ChargerOnBoard, "current_a"),
        "battery": _part(reader, data, "battery", Installed, "chemistry", "rated_capacity_ah"),
        "tray": _part(reader, data, "tray", Tray),
    }
    if reader.mistakes:
        return None
    given = {k: v for k, v in parts.items() if v is not None}
    return Plan(**top, consumers=tuple(consumers), bursts=tuple(bursts), **given)


def _loads(reader: _Reader, data: dict[str, Any], name: str, known: dict[str, Kind], time: str, make: Any) -> list[Any]:
    tables = data.get(name, [])
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        reader.complain("", 0, name, f"{name}: expected tables [[{name}]]")
        return []
    made = []
    for nth, table in enumerate(tables):
        good = reader.table(name, table, known, nth)
        has = reader.need(name, nth, table, good, "name", time)
        if reader.power(name, nth, table) and has and len(good) == len(table):
            made.append(make(**good))
    return made


def _part(reader: _Reader, data: dict[str, Any], name: str, make: Any, *needed: str) -> Any:
    table = data.get(name)
    if table is None:
        return None
    if not isinstance(table, dict):
        reader.complain("", 0, name, f"{name} = {_short(table)}: expected a table [{name}]")
        return None
    good = reader.table(name, table, TABLES[name])
    return make(**good) if reader.need(name, 0, table, good, *needed) and len(good) == len(table) else None


def _candidate(row: dict[str, Any], line: int) -> tuple[Candidate | None, list[str]]:
    values: dict[str, Any] = {}
    wrong: list[str] = []
    if None in row or None in row.values():
        return None, [f"line {line}: expected as many fields as the header line has"]
    for key, text in row.items():
        text = text.strip()
        if not text:
            if key in CANDIDATE_NEEDS:
                wrong.append(f"line {line}: {key} is empty: expected {_words(CANDIDATE[key])}")
            continue
        value = _number(text) if isinstance(CANDIDATE[key], Number) else text.lower() if key == "chemistry" else text
        if (expected := _wrong(CANDIDATE[key], value)) is not None:
            wrong.append(f"line {line}: {key} = {_short(text)}: expected {expected}")
        values[key] = value
    return (None, wrong) if wrong else (Candidate(**values), [])


def _number(text: str) -> float | str:
    try:
        return float(text)
    except ValueError:
        return text


def _words(kind: Kind) -> str:
    return kind.words if isinstance(kind, Number) else kind


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
