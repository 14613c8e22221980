"""Fold a recording: the readings in arrival order, with the ticks that a running service would have had in between.

Nothing looks ahead: a recording cut anywhere gives the same outcomes up to there.
"""

from collections.abc import Iterable, Iterator

from analytics.assessment import Outcome
from analytics.core import State, step
from analytics.reading import Reading, Tick

MINUTE_MS = 60_000
FIRST_TICK_MS = 15 * MINUTE_MS
"""Judgement: a recording's rows come seconds to minutes apart; time alone is worth judging only after a longer silence."""
LATER_TICKS_MS = 60 * MINUTE_MS


def silence(battery_id: str, since_ms: int, until_ms: int) -> Iterator[Tick]:
    """The ticks of a silence: every 15 minutes in the first hour, then every hour."""
    at_ms = since_ms + FIRST_TICK_MS
    while at_ms < until_ms:
        yield Tick(battery_id, at_ms)
        at_ms += FIRST_TICK_MS if at_ms - since_ms < LATER_TICKS_MS else LATER_TICKS_MS


def fold(state: State, readings: Iterable[Reading], until_ms: int | None = None) -> Iterator[tuple[State, Reading | Tick, Outcome]]:
    """Every reading (and tick) with the state and outcome after it; `until_ms` lets the clock run on after the last reading."""
    last_ms = state.last_ms
    for reading in readings:
        if last_ms is not None and reading.at_ms - last_ms > FIRST_TICK_MS:
            for tick in silence(reading.battery_id, last_ms, reading.at_ms):
                state, outcome = step(state, tick)
                yield state, tick, outcome
        state, outcome = step(state, reading)
        last_ms = state.last_ms
        yield state, reading, outcome
    if until_ms is not None and last_ms is not None:
        for tick in silence(state.battery.id, last_ms, until_ms + 1):
            state, outcome = step(state, tick)
            yield state, tick, outcome
