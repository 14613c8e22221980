"""The traces whose true state of charge is known (tests/truth/README.md), and what their owner would declare."""

import csv
import gzip
import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from random import Random
from typing import NamedTuple

from analytics.battery import Battery, Sensor
from tests.score.remade import Row, spoiled

TRUTH = Path(__file__).parent.parent / "truth"
FAMILIES = {"porous": TRUTH, "kinetic": TRUTH / "kinetic", "lifepo4": TRUTH}


class Trace(NamedTuple):
    """One trace and its declaration as score files give it."""

    name: str
    family: str
    chemistry: str
    cells: int
    table: tuple[tuple[float, float], ...]
    start_pct: float

    def battery(self, *, shift_v: float = 0.0, start_pct: float = 0.0, own_table: bool = True, known_start: bool = True) -> Battery:
        """What the owner declares; `shift_v` and `start_pct` make him wrong."""
        return Battery(
            self.name,
            self.chemistry,
            100.0,
            cells=self.cells,
            rest_voltage_table=tuple((p, v + shift_v) for p, v in self.table) if own_table else None,
            initial_state_of_charge_pct=min(100.0, self.start_pct + start_pct) if known_start else None,
            sensor=Sensor(current_gain_pct=1.0, current_offset_a=0.05, voltage_offset_v=0.01),
        )

    def rows(self, copy: str = "sensor") -> list[Row]:
        return _rows(FAMILIES[self.family] / f"{self.name}_{copy}.csv.gz")

    def guessed(self, seed: int) -> Battery:
        """Declared by an owner of this seed: table and start off by what owners are off, 20 mV and 2.2 points (standard deviations; judgement)."""
        dice = Random(f"{self.name} {seed}")
        return self.battery(shift_v=dice.gauss(0, 0.020) * self.cells / 6, start_pct=dice.gauss(0, 2.2))

    def remade(self, seed: int) -> list[Row]:
        """The clean rows with sensor errors of this seed."""
        return spoiled(self.rows("clean"), seed, volts=self.cells / 6)


def traces(family: str) -> Iterator[Trace]:
    declared = json.loads((FAMILIES[family] / "batteries.json").read_text())
    for name, trace in declared["traces"].items():
        b = {**declared["batteries"][trace["battery"]], **trace}
        if (b["chemistry"] == "lifepo4") == (family == "lifepo4"):
            table = tuple((p, v) for p, v in b["rest_voltage_table"])
            yield Trace(name, family, b["chemistry"], b.get("cells", 6), table, b["initial_state_of_charge_pct"])


def trace(name: str) -> Trace:
    return next(t for family in FAMILIES for t in traces(family) if t.name == name)


@cache
def _rows(path: Path) -> list[Row]:
    with gzip.open(path, "rt", newline="") as f:
        reader = csv.reader(f)
        next(reader)
        return [Row(*(float(x) for x in row[:5])) for row in reader]
