"""Facts from outside the project, each with its source: rows of `check_values.csv` by their id."""

import csv
from pathlib import Path
from typing import NamedTuple


class Fact(NamedTuple):
    """One row: value in unit, the range in which sources disagree, the source, and how sure it is."""

    id: str
    quantity: str
    chemistry: str
    condition: str
    value: float
    unit: str
    low: float | None
    high: float | None
    source: str
    status: str


def _number(text: str) -> float | None:
    try:
        return float(text)
    except ValueError:
        return None


def _rows() -> dict[str, dict[str, str]]:
    with (Path(__file__).parent / "check_values.csv").open(newline="") as f:
        return {row["id"]: row for row in csv.DictReader(f)}


ROWS = _rows()


def fact(row_id: str) -> Fact:
    """The fact with this id; a KeyError if there is none, a ValueError if its value is a text (see `ROWS`)."""
    row = ROWS[row_id]
    return Fact(**{**row, "value": float(row["value"]), "low": _number(row["low"]), "high": _number(row["high"])})  # type: ignore[arg-type]


def facts(prefix: str) -> list[Fact]:
    """All numeric facts whose id starts with this."""
    return [fact(i) for i, row in ROWS.items() if i.startswith(prefix) and _number(row["value"]) is not None]
