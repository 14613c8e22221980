"""Fold a recording: the readings in arrival order, with the ticks that a running service would have had in between.

Nothing looks ahead: a recording cut anywhere gives the same outcomes up to there. A recording knows no wall clock, so a sensor's clock
that jumps years ahead cannot be told from a long silence at first: such readings are held until a day of them has come, and if
the clock comes back later all the same, everything since the jump is forgotten and what it had raised is closed aloud.
"""

from collections.abc import Generator, Iterable, Iterator
from itertools import chain

from analytics.assessment import AlertEvent, Finding, Outcome
from analytics.core import State, step
from analytics.reading import Reading, Tick

MINUTE_MS = 60_000
DAY_MS = 24 * 60 * MINUTE_MS
FIRST_TICK_MS = 15 * MINUTE_MS
"""Judgement: a recording's rows come seconds to minutes apart; time alone is worth judging only after a longer silence."""
LATER_TICKS_MS = 60 * MINUTE_MS
JUMP_MS = 200 * DAY_MS
"""Judgement: longer than a winter in a barn without power; a clock that is wrong is wrong by years."""
BELIEVED_MS = DAY_MS
"""Judgement: most false clocks are set right within a day; after that, it may have been a long silence."""
TURNED_BACK = "the sensor's clock had jumped ahead and came back"

Folded = tuple[State, Reading | Tick, Outcome]


def silence(battery_id: str, since_ms: int, until_ms: int) -> Iterator[Tick]:
    """The ticks of a silence: every 15 minutes in the first hour, then every hour."""
    at_ms = since_ms + FIRST_TICK_MS
    while at_ms < until_ms:
        yield Tick(battery_id, at_ms)
        at_ms += FIRST_TICK_MS if at_ms - since_ms < LATER_TICKS_MS else LATER_TICKS_MS


def fold(state: State, readings: Iterable[Reading], until_ms: int | None = None) -> Iterator[Folded]:
    """Every reading (and tick) with the state and outcome after it; `until_ms` lets the clock run on after the last reading.

    A reading that a false clock dated into the future changes nothing and is given as ignored: `future`.
    """
    held: list[Reading] = []
    before: State | None = None
    for reading in chain(readings, (None,)):
        last_ms = state.last_ms
        if reading is not None and last_ms is not None and reading.at_ms - last_ms <= FIRST_TICK_MS and not held and before is None:
            state, outcome = step(state, reading)  # nearly all of them
            yield state, reading, outcome
            continue
        ready: Iterable[Reading] = held if reading is None else (reading,)
        if reading is not None and last_ms is not None and (held or before is not None or reading.at_ms - last_ms > JUMP_MS):
            if reading.at_ms - last_ms > JUMP_MS:
                held.append(reading)
                if reading.at_ms - held[0].at_ms < BELIEVED_MS:
                    continue
                before, ready, held = state, held, []
            elif held:
                yield from ((state, one, _ignored(state, one, ())) for one in held)
                held = []
            elif before is not None and _is_back(reading.at_ms, last_ms, before):
                yield before, reading, _ignored(before, reading, _closed(state, before, reading.at_ms))
                state, before = before, None
        for one in ready:
            state = yield from _after_silence(state, one)
    if until_ms is not None and state.last_ms is not None:
        for tick in silence(state.battery.id, state.last_ms, until_ms + 1):
            state, outcome = step(state, tick)
            yield state, tick, outcome


def _after_silence(state: State, reading: Reading) -> Generator[Folded, None, State]:
    """The ticks of the silence before it, if there was one, then the reading. Gives the state after it."""
    last_ms = state.last_ms
    if last_ms is not None and reading.at_ms - last_ms > FIRST_TICK_MS:
        for tick in silence(reading.battery_id, last_ms, reading.at_ms):
            state, outcome = step(state, tick)
            yield state, tick, outcome
    state, outcome = step(state, reading)
    yield state, reading, outcome
    return state


def _is_back(at_ms: int, last_ms: int, before: State) -> bool:
    """Whether the clock goes on where it was before it jumped."""
    return before.last_ms is not None and before.last_ms < at_ms < last_ms - JUMP_MS


def _ignored(state: State, reading: Reading, events: tuple[AlertEvent, ...]) -> Outcome:
    """A reading whose time was not believed: it changes nothing."""
    assert state.last_ms is not None
    unchanged = step(state, reading._replace(at_ms=state.last_ms))[1].assessment
    return Outcome(unchanged._replace(at_ms=reading.at_ms), events, "future")


def _closed(state: State, before: State, at_ms: int) -> tuple[AlertEvent, ...]:
    """What had begun after the jump is ended aloud."""
    battery_id, stood = before.battery.id, {(s.rule, s.began_ms) for s in before.alerts.standing}
    events = []
    for s in state.alerts.standing:
        if s.began_ms is not None and (s.rule, s.began_ms) not in stood:
            title, said = "Over: " + s.rule.replace("_", " "), f"Closed: {TURNED_BACK}."
            finding = Finding(s.rule, s.priority, title, said, "", "Nothing to do.", "", (), "the rule that began it")
            alert_id = f"{battery_id}:{s.rule}:{s.began_ms}"
            events.append(AlertEvent(alert_id, battery_id, s.rule, "ended", at_ms, s.priority, TURNED_BACK, finding))
    return tuple(events)
