"""The state-of-charge estimator. What the rest may use is here; how it works stands in the other files."""

from __future__ import annotations

from typing import NamedTuple

from analytics.assessment import Anchor, Learned
from analytics.battery import Battery
from analytics.reading import Note, Reading


class Model(NamedTuple):
    """Constants worked out once from the declaration."""

    battery: Battery
    table: tuple[tuple[float, float], ...]


class Belief(NamedTuple):
    """What is believed after a reading, as plain numbers."""

    at_ms: int | None = None
    soc: float | None = None
    var: float = 1.0
    anchor: Anchor | None = None


def model_of(battery: Battery) -> Model:
    table = battery.rest_voltage_table
    if table is None:
        table = tuple((p, v * battery.cells) for p, v in battery.kind.rest_voltage.rows)
    return Model(battery, table)


def fresh(model: Model) -> Belief:
    """The belief before any reading."""
    start = model.battery.initial_state_of_charge_pct
    return Belief(None, None if start is None else start / 100, 0.03**2)


def advance(model: Model, belief: Belief, reading: Reading) -> Belief:
    """The belief after one more reading, which is never older than the last. Pure, and cheap: a few microseconds."""
    soc = 0.5 if belief.soc is None else belief.soc
    if reading.current_a is not None and belief.at_ms is not None:
        soc += reading.current_a * (reading.at_ms - belief.at_ms) / 3.6e6 / model.battery.rated_capacity_ah
    return Belief(reading.at_ms, min(1.0, max(0.0, soc)), belief.var, belief.anchor)


def aged(model: Model, belief: Belief, now_ms: int) -> Belief:
    """The belief at `now_ms` when no reading came since: only wider. Not folded, only shown."""
    return belief


def interval(model: Model, belief: Belief) -> tuple[float | None, float | None, float | None]:
    """State of charge and its 90 % interval, percent; three None while nothing is known."""
    if belief.soc is None:
        return None, None, None
    return 100 * belief.soc, max(0.0, 100 * belief.soc - 10), min(100.0, 100 * belief.soc + 10)


def rest_pct(model: Model, voltage_v: float, temperature_c: float | None) -> float:
    """State of charge in percent that the rest-voltage table gives for a voltage at rest, clamped to 0 to 100."""
    raise NotImplementedError


def rest_v(model: Model, pct: float, temperature_c: float | None = None) -> float:
    """Rest voltage of the whole battery at a state of charge: the inverse of `rest_pct`."""
    raise NotImplementedError


def noted(model: Model, belief: Belief, note: Note) -> Belief:
    """A hand-measured voltage corrects; a replaced battery starts anew; `forget` resets a learned value."""
    return belief


def learned(model: Model, belief: Belief) -> tuple[Learned, ...]:
    """Every learned value with its 90 % interval."""
    return ()
