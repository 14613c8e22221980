"""What is fixed for one battery: its table as a fine grid, and the constants of the filter in whole-battery units. No state.

The battery is modelled as in Ceraolo 2000 (IEEE Trans. Power Systems 15(4)): a rest voltage that depends on state of charge, an ohmic
part, polarisation with memory, and a parasitic branch that turns charge into gas. The parasitic branch has the form of Schiffer et
al. 2007 (J. Power Sources 168). Both from memory. Estimation follows Plett 2004 (J. Power Sources 134): an extended Kalman filter.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

from analytics.battery import Battery

GRID = 400
"""Steps of the grid; the lookup then costs no search."""

REFERENCE_C = 25.0
UNREAD, UNREAD_STARTED = 1.0, 0.6
"""Spreads of the chemistry's table, without and with a declared start. Judgement: so that traces and simulated weeks are covered."""
UNREAD_LITHIUM = 0.035
"""State of charge: its curve is too flat for a spread in volts to say it. Judgement, from simulated weeks as well."""
Table = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Model:
    """Constants worked out once from the declaration. Volts and ohms of the whole battery, fractions of one for charge.

    No NamedTuple: it is made once and read many times, and a slot is read several times as fast.
    """

    battery: Battery
    table: Table
    """(percent, volts) at 25 °C, rising."""
    grid: tuple[float, ...]
    """Rest voltage at 25 °C at 0, 1/GRID, … 1."""
    capacity_ah: float
    """Rated."""
    top_v: float
    """Rest voltage when full."""
    chord: float
    """Slope of the curve from 10 to 90 %, volts for a whole state of charge."""
    volts: float
    """Scale of a voltage spread given for six cells: cells / 6."""
    ohms: float
    """Expected ohmic resistance with the fast part of polarisation."""
    step_a: float
    """Smallest load step that tells the resistance."""
    most_a: float
    """More than any battery of this size gives or takes: a burst of 10 times its capacity in an hour."""
    calm_a: float
    """A current that strays less than this from its mean of minutes is steady."""
    table_sd_v: float
    """How far table and voltmeter together may be off."""
    curve_rate: float
    """How fast the table's error changes along the curve, for a whole state of charge: 1 = quite another error at the other end."""
    tc_v: float
    """Rest voltage per kelvin, expected."""
    tc_sd_v: float
    full_v: float
    """Lowest voltage that counts as absorption, at 25 °C."""
    float_v: float
    """Lowest voltage that only a charger holds."""
    end_v: float
    """At which a discharge is ended."""
    compensation_v: float
    """Absorption voltage per kelvin (negative)."""
    tail_a: float
    """Current at absorption below which the battery counts as full."""
    lead: bool
    unread: float
    """Variance that a published table leaves in the state of charge."""
    leak_a: float
    """Self-discharge at rest at 20 to 25 °C."""


def model_of(battery: Battery) -> Model:
    """The constants for this declaration."""
    kind, cells, ah = battery.kind, battery.cells, battery.rated_capacity_ah
    own = battery.rest_voltage_table
    table, grid = _shared(own or tuple((p, v * cells) for p, v in kind.rest_voltage.rows))
    spread = kind.rest_voltage_spread_v.value * cells
    # Judgement: an owner's own table is off by 20 mV for six cells (one standard deviation); published ones by the chemistry's spread.
    table_sd = (0.0035 if kind.lead_acid else 0.005) * cells if own else (1.5 if kind.lead_acid else 1.25) * spread
    volts = cells / 6
    resistance = kind.internal_resistance_ohm_ah.value * cells / ah
    return Model(
        battery,
        table,
        grid,
        ah,
        table[-1][1],
        (grid[9 * GRID // 10] - grid[GRID // 10]) / 0.8,
        volts,
        2.0 * resistance,
        0.02 * ah,
        10.0 * ah,
        0.003 * ah,
        sqrt(table_sd**2 + battery.sensor.voltage_offset_v**2),
        0.02 if own else 0.5,
        (0.0001 if kind.lead_acid else 0.0) * cells,
        0.0001 * cells,
        (kind.absorption.low - 0.02) * cells,
        (2.2 if kind.lead_acid else kind.float_charge.high) * cells,
        kind.end_of_discharge_v.value * cells,
        kind.compensation_v_per_k.value * cells,
        kind.tail_current_c.high * ah,
        kind.lead_acid,
        _unread(battery, grid),
        kind.self_discharge_pct_per_month.value / 100 * ah / 720,
    )


def _unread(battery: Battery, grid: tuple[float, ...]) -> float:
    """Variance that a published table leaves in the state of charge, less with a declared start, which is soon counted away.

    A full charge does not end it: it tells the table's upper end and nothing of its slope.

    The filter averages the table's error over the curve; a battery that stands beside the table stands so all along it.
    """
    if battery.rest_voltage_table is not None:
        return 0.0
    if not battery.kind.lead_acid:
        return UNREAD_LITHIUM**2
    spreads = UNREAD if battery.initial_state_of_charge_pct is None else UNREAD_STARTED
    return (spreads * battery.kind.rest_voltage_spread_v.value * battery.cells / (grid[-1] - grid[0])) ** 2


@lru_cache(maxsize=1000)
def _shared(table: Table) -> tuple[Table, tuple[float, ...]]:
    """A table and its grid, the same for all batteries of a kind: they are half of what a state takes in memory, and most of reading one."""
    return table, tuple(_table_v(table, 100 * k / GRID) for k in range(GRID + 1))


def _table_v(table: Table, pct: float) -> float:
    if pct <= table[0][0]:
        return table[0][1]
    if pct >= table[-1][0]:
        return table[-1][1]
    k = bisect_right(table, (pct, float("inf")))
    (p0, v0), (p1, v1) = table[k - 1], table[k]
    return v0 + (v1 - v0) * (pct - p0) / (p1 - p0)


def rest_v(model: Model, pct: float, temperature_c: float | None = None) -> float:
    """Rest voltage of the whole battery at a state of charge in percent (clamped to 0 to 100): the inverse of `rest_pct`."""
    shift = (
        0.0
        if temperature_c is None
        else model.battery.kind.rest_voltage_v_per_k.value * model.battery.cells * (temperature_c - REFERENCE_C)
    )
    return _table_v(model.table, pct) + shift


def rest_pct(model: Model, voltage_v: float, temperature_c: float | None) -> float:
    """State of charge in percent that the rest-voltage table gives for a voltage at rest, clamped to 0 to 100."""
    if temperature_c is not None:
        voltage_v -= model.battery.kind.rest_voltage_v_per_k.value * model.battery.cells * (temperature_c - REFERENCE_C)
    table = model.table
    if voltage_v <= table[0][1]:
        return table[0][0]
    if voltage_v >= table[-1][1]:
        return table[-1][0]
    k = next(k for k, (_, v) in enumerate(table) if v > voltage_v)
    (p0, v0), (p1, v1) = table[k - 1], table[k]
    return p0 + (p1 - p0) * (voltage_v - v0) / (v1 - v0)


def slope(model: Model, soc: float) -> tuple[float, float]:
    """Rest voltage at 25 °C and its slope in volts per 1 (whole state of charge); straight on beyond the ends."""
    x, grid = soc * GRID, model.grid
    k = 0 if x <= 0.0 else int(x) if x < GRID else GRID - 1
    a, b = grid[k], grid[k + 1]
    per_soc = (b - a) * GRID
    return a + (b - a) * (x - k), per_soc if per_soc > 0.005 else 0.005
