"""What others ask of a belief: the interval, learned values, rest, last full; and what a person's note does to it."""

from __future__ import annotations

from math import exp

from analytics.assessment import Learned
from analytics.estimate.advancing import checked
from analytics.estimate.belief import CAPACITY, DIAGONAL, OFFSET, PAIRS, TABLE, TAIL, Belief, Filter, fresh, prior
from analytics.estimate.counting import over_gap
from analytics.estimate.filtering import bounded
from analytics.estimate.model import Model
from analytics.estimate.resting import settled
from analytics.estimate.voltage import compensated
from analytics.reading import Note

TOLD = 1.40
"""Standard deviations of the filter that hold the truth nine times in ten. Found by `tests/score`: the filter's doubt is made of errors
that last (table, start, voltmeter), each with its own spread, and so of a battery with all of them at once. Where table, start and sensor
are off by what owners and sensors are off, it covers 92 and 86 % on the two families; where nothing is off, it must cover nearly always."""
NINETY = 1.645
"""Standard deviations of a 90 % interval of a normal distribution."""


def interval(model: Model, belief: Belief) -> tuple[float | None, float | None, float | None]:
    """State of charge and its 90 % interval, percent; three None while nothing is known."""
    soc, f = belief.soc, belief.filter
    if soc is None:
        return None, None, None
    half = 100 * TOLD * (0.03 if f is None else (f.cov[0] + model.unread) ** 0.5)
    pct = 0.0 if soc <= 0.0 else 100 * soc if soc < 1.0 else 100.0
    low, high = pct - half, pct + half
    return pct, low if low > 0.0 else 0.0, high if high < 100.0 else 100.0


def aged(model: Model, belief: Belief, now_ms: int) -> Belief:
    """The belief at `now_ms` when no reading came since: only wider. Not folded, only shown."""
    f, slot, habit = belief.filter, belief.slot, belief.habit
    if f is None or slot is None or habit is None or belief.at_ms is None or now_ms <= belief.at_ms:
        return belief
    wider = over_gap(model, f, habit, slot, (now_ms - belief.at_ms) / 3.6e6, None)
    wider = bounded((belief.soc if belief.soc is not None else wider.mean[0], *wider.mean[1:]), wider.cov)
    return belief._replace(filter=wider)


def is_rested(model: Model, belief: Belief) -> bool:
    """Whether the voltage has settled: at rest for two hours or more and its slope small."""
    return belief.at_ms is not None and settled(model, belief.marks, belief.at_ms)


def last_full_ms(belief: Belief) -> int | None:
    """When the battery was last full (absorption held until the current fell to the tail); None: never seen."""
    return belief.marks.full_ms


def compensated_v(model: Model, belief: Belief, voltage_v: float, current_a: float | None) -> float:
    """The rest voltage that a loaded voltage stands for, with this battery's learned resistance; as given where current is not known."""
    if current_a is None:
        return voltage_v
    fast = current_a if belief.slot is None else belief.slot.fast_a
    return compensated(model, belief.filter, belief.habit, voltage_v, current_a, fast)


def capacity_ah(model: Model, belief: Belief) -> float:
    """Usable capacity believed now, ampere-hours at 25 °C."""
    return model.capacity_ah * (1.0 if belief.filter is None else belief.filter.mean[CAPACITY])


def current_offset_a(belief: Belief) -> float:
    """Current that the sensor shows when none flows, as learned."""
    blind = belief.filter is None or belief.habit is None or belief.habit.blind
    return 0.0 if blind or belief.filter is None else belief.filter.mean[OFFSET]


def table_offset_v(belief: Belief) -> float:
    """How far the battery's rest voltage stands above its table, as learned."""
    return 0.0 if belief.filter is None else belief.filter.mean[TABLE]


def resistance_ohm(model: Model, belief: Belief) -> float:
    """Ohmic resistance learned from load steps."""
    return model.ohms if belief.habit is None else belief.habit.resistance


def learned(model: Model, belief: Belief) -> tuple[Learned, ...]:
    """Every learned value with its 90 % interval."""
    f, habit = belief.filter, belief.habit
    if f is None or habit is None:
        return ()

    offset = learned_offset(belief)
    half = NINETY * habit.resistance_var**0.5
    tail, tail_half = f.mean[TAIL], NINETY * f.cov[DIAGONAL[TAIL]] ** 0.5
    return (
        _learned(f, "usable_capacity_ah", CAPACITY, model.capacity_ah),
        *(() if offset is None else (offset,)),
        _learned(f, "rest_voltage_offset_v", TABLE, 1.0),
        *((Learned("charge_acceptance_h", exp(tail), exp(tail - tail_half), exp(tail + tail_half)),) if model.lead else ()),
        Learned("internal_resistance_ohm", habit.resistance, max(0.0, habit.resistance - half), habit.resistance + half),
    )


def learned_offset(belief: Belief) -> Learned | None:
    """The current offset alone; None where no current is measured or believed."""
    if belief.filter is None or belief.habit is None or belief.habit.blind:
        return None
    return _learned(belief.filter, "current_offset_a", OFFSET, 1.0)


def _learned(f: Filter, name: str, state: int, unit: float) -> Learned:
    value, half = f.mean[state] * unit, NINETY * unit * f.cov[DIAGONAL[state]] ** 0.5
    return Learned(name, value, value - half, value + half)


def noted(model: Model, belief: Belief, note: Note) -> Belief:
    """A hand-measured voltage corrects; a replaced battery starts anew; `forget` resets a learned value."""
    if note.kind == "replaced":
        return fresh(model)._replace(soc=None)
    if note.kind == "forget":
        return forgotten(model, belief, str(note.value))
    if note.kind != "check" or not isinstance(note.value, int | float):
        return belief
    return checked(model, belief, note.at_ms, float(note.value))


def forgotten(model: Model, belief: Belief, name: str) -> Belief:
    """One learned value, or `all` of them, back to what was believed before any data."""
    states = {"usable_capacity_ah": CAPACITY, "current_offset_a": OFFSET, "rest_voltage_offset_v": TABLE, "charge_acceptance_h": TAIL}
    f, habit = belief.filter, belief.habit
    if f is None or habit is None:
        return belief
    drop = set(states.values()) if name == "all" else {states[name]} if name in states else set()
    if name in ("all", "internal_resistance_ohm"):
        habit = habit._replace(resistance=model.ohms, resistance_var=(0.6 * model.ohms) ** 2)
    start = prior(model, f.mean[0], 0.2)
    mean = tuple(start.mean[i] if i in drop else m for i, m in enumerate(f.mean))
    cov = tuple(
        (start.cov[n] if i == j else 0.0) if i in drop or j in drop else f.cov[n] for n, (i, j) in enumerate(PAIRS)
    )  # fmt: skip
    return belief._replace(filter=Filter(mean, cov), habit=habit)
