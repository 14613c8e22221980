"""The fields that every chemistry fills, each figure with its unit, range and source. No figures stand here.

Voltages are per cell at 25 °C unless the name says otherwise.
"""

from dataclasses import dataclass
from typing import NamedTuple


class Figure(NamedTuple):
    """A number of the trade: what we use, what is published from lowest to highest, in which unit, and who says so."""

    value: float
    low: float
    high: float
    unit: str
    source: str


class Band(NamedTuple):
    """A window with two ends that both mean something, such as a charging voltage."""

    low: float
    high: float
    unit: str
    source: str


class Table(NamedTuple):
    """Pairs, rising in the first column, of which the second is read by straight lines between them."""

    rows: tuple[tuple[float, float], ...]
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Chemistry:
    """One kind of battery. A contract test reads every field of every chemistry."""

    name: str
    title: str
    lead_acid: bool
    vented: bool
    rest_voltage: Table
    """(state of charge in percent, volts a cell) after a long rest at 25 °C."""
    rest_voltage_spread_v: Figure
    """How far a battery of this kind may stand from the table, volts a cell, one standard deviation."""
    rest_voltage_v_per_k: Figure
    rest_h: Figure
    """Hours of rest that the trade asks for before the voltage counts."""
    voltage_tells: tuple[tuple[float, float], ...]
    """Ranges of state of charge, percent, in which a rest voltage may resynchronise."""
    hysteresis_v: Figure
    absorption: Band
    float_charge: Band
    float_needed: bool
    equalisation: Band | None
    """None: never."""
    compensation_v_per_k: Figure
    bulk_current_c: Band
    """Charging current as a fraction of the rated capacity per hour."""
    tail_current_c: Band
    charge_factor: Figure
    self_discharge_pct_per_month: Figure
    """At 20 to 25 °C; doubles for each 10 K."""
    peukert: Figure
    capacity_per_k: Figure
    """Fraction of capacity lost for each kelvin below 25 °C."""
    internal_resistance_ohm_ah: Figure
    """Resistance of a cell times its rated capacity, ohm × ampere-hour: divide by the capacity, multiply by the cells."""
    end_of_discharge_v: Figure
    safe_limit_pct: Figure
    storage_check_pct: Figure
    """The trade's monthly 12.4 V at rest, as state of charge of this kind."""
    sulfation_pct: Figure | None
    freezing: Table | None
    """(state of charge in percent, degrees Celsius at which the acid freezes)."""
    charge_lowest_c: Figure
    charge_highest_c: Figure
    cycles: Figure
    """Cycles to 80 % of rated capacity at `cycles_depth_pct`."""
    cycles_depth_pct: float
    float_current_ma_per_ah: Figure
    cautions: tuple[str, ...]
    """Keys into analytics.cautions.CAUTIONS that always go with charging advice for this kind."""

    @property
    def cells_12v(self) -> int:
        """Cells in series of what is called a 12 V battery."""
        return 6 if self.lead_acid else 4

    @property
    def a_title(self) -> str:
        """The title with its article, for sentences: `an AGM lead-acid`."""
        return f"{'an' if self.title[0] in 'aeioAEIO' else 'a'} {self.title}"

    @property
    def a_title_first(self) -> str:
        """`An AGM lead-acid`, where a sentence begins."""
        return self.a_title[0].upper() + self.a_title[1:]
