"""Small lives of a battery for the rules' tests: readings made by hand from a rest voltage, and their fold."""

from collections.abc import Iterable, Iterator
from itertools import pairwise

from analytics import core
from analytics.ageing import AgeingMemory
from analytics.assessment import AlertEvent, Assessment
from analytics.battery import Battery
from analytics.care import CareMemory
from analytics.charging import ChargingMemory
from analytics.core import State, begin, step
from analytics.estimate import interval
from analytics.fold import silence
from analytics.reading import Input, Reading, on_the_grid
from analytics.sensors import SensorMemory
from analytics.sentences import sentences_of
from analytics.span import Span
from analytics.trend import TrendMemory
from analytics.use import UseMemory
from analytics.view import View

START_MS = 1_793_491_200_000
"""1 November 2026, 00:00 UTC."""
MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS


def agm(**declared: object) -> Battery:
    """A six-cell AGM battery of 100 Ah; what is not declared is not known."""
    return Battery("heron", "agm", 100.0, **declared)  # type: ignore[arg-type]


def rest_v(battery: Battery, pct: float) -> float:
    """Straight lines through the battery's own table, or its chemistry's."""
    rows = battery.rest_voltage_table or tuple((p, v * battery.cells) for p, v in battery.kind.rest_voltage.rows)
    for (p0, v0), (p1, v1) in pairwise(rows):
        if pct <= p1:
            return v0 + (v1 - v0) * (pct - p0) / (p1 - p0)
    return rows[-1][1]


def resting(
    battery: Battery, days: float, start_pct: float, fall_pct_per_day: float = 0.0, *, from_ms: int = START_MS, every_ms: int = 30 * MINUTE_MS,
    current_a: float | None = None, temperature_c: float | None = 15.0, offset_v: float = 0.0,
) -> Iterator[Reading]:  # fmt: skip
    """A battery at rest that falls evenly. The voltmeter shows steps of 5 mV and trembles by one."""
    for i in range(int(days * DAY_MS / every_ms)):
        passed = (i + 1) * every_ms
        voltage_v = rest_v(battery, start_pct - fall_pct_per_day * passed / DAY_MS) + offset_v
        shown_v = round(voltage_v / 0.005 + (i * 7 % 3 - 1) * 0.4) * 0.005
        yield on_the_grid(Reading(battery.id, from_ms + passed, shown_v, current_a, temperature_c))


def held(
    battery: Battery, hours: float, voltage_v: float, from_ms: int, current_a: float | None = None, temperature_c: float | None = 15.0,
    every_ms: int = 5 * MINUTE_MS,
) -> Iterator[Reading]:  # fmt: skip
    """A charger holds a voltage."""
    for i in range(int(hours * HOUR_MS / every_ms)):
        yield on_the_grid(Reading(battery.id, from_ms + (i + 1) * every_ms, voltage_v + 0.002 * (i % 2), current_a, temperature_c))


def silent(battery: Battery, hours: float, from_ms: int) -> Iterator[Input]:
    """The ticks of a running service while nothing is heard."""
    return silence(battery.id, from_ms, from_ms + round(hours * HOUR_MS))


def folded(battery: Battery, *lives: Iterable[Input], state: State | None = None) -> tuple[State, list[AlertEvent]]:
    """The state after the lives, one after the other, and every alert event."""
    state, events = begin(battery) if state is None else state, []
    for life in lives:
        for given in life:
            state, outcome = step(state, given)
            events.extend(outcome.events)
    return state, events


def sentences(state: State) -> tuple[str, ...]:
    """What is said of it at the moment of its details."""
    span, charge = state.span, interval(state.model, state.belief)
    seen = (None, None, None) if span is None else (span.voltage_v, span.current_a, span.temperature_c)
    now_ms = state.details.at_ms
    about = Assessment(state.battery.id, now_ms, *seen, *charge, state.charging.phase, state.belief.anchor, state.told)
    return sentences_of(state.battery, about, now_ms)


def view_of_now(state: State) -> View:
    """What components and rules see of it."""
    return core.view_of(state, state.last_ms or 0, ticked=False)


def kinds(events: list[AlertEvent], rule: str) -> list[str]:
    """What became of one rule's alerts: began, worsened, ended."""
    return [e.kind for e in events if e.rule == rule]


def began(events: list[AlertEvent], rule: str) -> AlertEvent:
    """The first beginning of this rule's alert."""
    found = [e for e in events if e.rule == rule and e.kind == "began"]
    assert found, f"{rule} never began: {[(e.rule, e.kind) for e in events]}"
    return found[0]


DAY = 20_758
"""1 November 2026."""
NOON_MS = DAY * DAY_MS + DAY_MS // 2
AGM = agm()
LITHIUM = Battery("heron", "lifepo4", 100.0, cells=4)


def view(
    battery: Battery = AGM, trend: TrendMemory | None = None, pct: tuple[float, float, float] | None = None, now_ms: int = NOON_MS
) -> View:
    """A battery at rest of which only this is known."""
    state = core.begin(battery)
    v = rest_v(battery, 70)
    span = Span(now_ms - 60_000, now_ms, 6, v, v, v, v, 0.0, 0.0, 0.0, 0.0, 20.0, 0)
    known = pct or (None, None, None)
    return View(
        battery, core.estimate.model_of(battery), now_ms, False, span, *known, state.belief, SensorMemory(), ChargingMemory(), UseMemory(),
        trend or TrendMemory(), CareMemory(), AgeingMemory(),
    )  # fmt: skip


def fallen(battery: Battery = AGM, per_day: float = 1.0, days: int = 8, level: float = 70.0) -> TrendMemory:
    """Daily rest voltages that fall evenly, the last of them yesterday, and the line through them."""
    points = tuple((DAY - days + k, round(1000 * rest_v(battery, level + per_day * (days - 1 - k)))) for k in range(days))
    return TrendMemory(points=points, day=DAY, slope=(-per_day, -1.2 * per_day, -0.8 * per_day, level), quick=-per_day)
