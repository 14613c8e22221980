"""What is believed of one battery, as numbers. No equations here.

The states of the filter, in the order of `Filter.mean` and of its covariance:

| state | unit | prior | why a state |
|---|---|---|---|
| soc | 1 | declared ± 3 points, or read from the first voltage | what we are after |
| offset_a | A | 0 ± the sensor's stated offset; wanders | in storage it outweighs every load |
| capacity | fraction of rated | 0.95 ± 0.10 (lithium 0.90 ± 0.17) | an aged battery empties sooner; takes up the shunt's gain error too |
| table_v | V | 0 ± table and voltmeter | the owner's table and the voltmeter are off, by nearly the same along the curve |
| slow_v | V | 0, polarisation, hours | the acid evens out over hours |
| surface_v | V | 0, surface charge, days (LiFePO4: hysteresis) | stands for days after a charge |
| per_k | V/K | model.tc_v ± model.tc_sd_v | rest voltage moves with temperature |
| tail | 1 | ln(2.6 h) ± 0.35 | natural logarithm of charge still missing over charging current at absorption, hours at 20 °C |
"""

from __future__ import annotations

from typing import NamedTuple

from analytics.assessment import Anchor
from analytics.estimate.model import Model

STATES = ("soc", "offset_a", "capacity", "table_v", "slow_v", "surface_v", "per_k", "tail")
N = len(STATES)
SOC, OFFSET, CAPACITY, TABLE, SLOW, SURFACE, PER_K, TAIL = range(N)
PAIRS = tuple((i, j) for i in range(N) for j in range(i, N))
"""Order of the covariance: upper triangle, row by row."""
DIAGONAL = tuple(PAIRS.index((i, i)) for i in range(N))


class Filter(NamedTuple):
    """Mean and covariance (upper triangle by `PAIRS`) at the beginning of the open slot."""

    mean: tuple[float, ...]
    cov: tuple[float, ...]


class Slot(NamedTuple):
    """Readings since the filter last moved (about five minutes): sums only, so a reading costs little."""

    begin_ms: int
    last_ms: int
    last_v: float
    last_a: float | None
    last_ah: float | None
    """The sensor's own counter."""
    ah: float
    """Charge counted since `begin_ms`."""
    doubt_ah2: float
    """Variance of that charge: what may have happened between samples."""
    readings: int
    v_sum: float
    a_sum: float | None
    fast_a: float
    """Current smoothed over the fast part of polarisation."""
    temperature_c: float | None
    """Last believable one."""


class Habit(NamedTuple):
    """What is usual for this battery and sensor."""

    interval_ms: float
    """Usual time between readings."""
    mean_a: float
    """Mean current of about the last day."""
    spread_a2: float
    """Mean square of the current about it."""
    resistance: float
    """Ohmic resistance learned from load steps, ohm."""
    resistance_var: float
    blind: bool
    """Whether the sensor gives no current: the offset state then stands for the unknown current, with its sign turned."""
    misfit: float
    """Mean square of voltage surprises in standard deviations; about 1 when the model is right."""
    last_v: float
    last_a: float
    """Means over the last slot."""
    distrust: int
    """How often lately current and voltage moved against each other, or the one without the other; from `DISTRUST` on it is blind."""
    still: int
    """Slots in a row in which the current changed and the voltage did not at all."""


class Marks(NamedTuple):
    """Times and corrections that others may read through the functions of `analytics.estimate`."""

    rest_since_ms: int | None = None
    rest_v: float | None = None
    """Voltage an hour or so ago at this rest, for its slope."""
    rest_v_ms: int = 0
    slope_v_per_h: float | None = None
    rest_anchor_ms: int | None = None
    rest_moved: float = 0.0
    """What voltages have changed in the state of charge since the rest began."""
    rest_sd: float = 1.0
    """How well the state of charge was known when it began."""
    held_since_ms: int | None = None
    held_v: float | None = None
    """Voltage that the charger holds."""
    tail_a: float | None = None
    """Charging current at `tail_ms` at the held voltage, for how fast it falls."""
    tail_ms: int = 0
    decay_h: float | None = None
    """Time constant with which the current falls at the held voltage, hours."""
    full_moved: float = 0.0
    full_sd: float = 1.0
    full_ms: int | None = None
    """Last time the battery was full."""
    empty_ms: int | None = None
    """Last time a discharge was at its end."""


class Belief(NamedTuple):
    """What is believed after a reading."""

    at_ms: int | None = None
    soc: float | None = None
    """0 to 1, at `at_ms`; None while nothing is known."""
    filter: Filter | None = None
    slot: Slot | None = None
    habit: Habit | None = None
    marks: Marks = Marks()
    anchor: Anchor | None = None
    """The last resynchronisation."""


TAIL_LN_H, TAIL_SD = 0.95, 0.35
"""Judgement: with a fixed voltage a lead-acid battery takes a current in proportion to what is missing, 1 to 4.5 hours of it."""


LITHIUM_CAPACITY = 0.90, 0.17
"""Part of rated, and its spread. Judgement: so wide that 0.6 and 1.05 are both likely, for a flat curve shows late how worn a battery is."""


def prior(model: Model, soc: float, soc_sd: float) -> Filter:
    """The filter before it has learned anything."""
    sensor = model.battery.sensor
    mean = (soc, 0.0, 0.95 if model.lead else LITHIUM_CAPACITY[0], 0.0, 0.0, 0.0, model.tc_v, TAIL_LN_H)
    sd = (
        soc_sd,
        max(sensor.current_offset_a, 0.002),
        0.10 if model.lead else LITHIUM_CAPACITY[1],
        model.table_sd_v,
        0.004 * model.volts,
        0.012 * model.volts if model.lead else model.battery.kind.hysteresis_v.value * model.battery.cells,
        model.tc_sd_v,
        TAIL_SD,
    )
    return Filter(mean, tuple(sd[i] ** 2 if i == j else 0.0 for i, j in PAIRS))


def fresh(model: Model) -> Belief:
    """The belief before any reading."""
    start = model.battery.initial_state_of_charge_pct
    return Belief(soc=None if start is None else start / 100)
