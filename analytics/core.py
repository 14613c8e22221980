"""`step(state, input) -> (state, outcome)`: the one function the rest of the house calls. Replay is a fold of it.

Three speeds: each reading moves the estimate; each closed span (a minute) moves the slow components; the rules are judged
on a transition or every five minutes. No I/O, no clock: time comes in with the input.
"""

from typing import NamedTuple

from analytics import ageing, alerts, care, charging, estimate, sensors, trend, use
from analytics.alerts import AlertMemory
from analytics.assessment import AlertEvent, Assessment, Details, Finding, Outcome
from analytics.battery import Battery
from analytics.details import details_of
from analytics.reading import Input, Note, Reading, Tick
from analytics.rules import RULES
from analytics.span import SPAN_MS, OpenSpan, Span, closed, grown, opened
from analytics.view import View

RULES_EVERY_MS = 300_000
"""Judgement: no rule's delay is shorter than minutes; a change of phase or mode is judged at once."""


class State(NamedTuple):
    """All that is remembered of one battery. `battery` and `model` are declared, not kept; the rest is kept by analytics.keep."""

    battery: Battery
    model: estimate.Model
    belief: estimate.Belief
    last_ms: int | None
    """Time of the newest reading folded."""
    open_span: OpenSpan | None
    span: Span | None
    sensors: sensors.SensorMemory
    charging: charging.ChargingMemory
    use: use.UseMemory
    trend: trend.TrendMemory
    care: care.CareMemory
    ageing: ageing.AgeingMemory
    alerts: AlertMemory
    judged_ms: int
    """When the rules were last judged."""
    details: Details


def begin(battery: Battery) -> State:
    """The state of a battery of which nothing has been heard."""
    model = estimate.model_of(battery)
    return State(
        battery, model, estimate.fresh(model), None, None, None, sensors.SensorMemory(), charging.ChargingMemory(), use.UseMemory(),
        trend.TrendMemory(), care.CareMemory(), ageing.AgeingMemory(), AlertMemory(), 0, Details(0),
    )  # fmt: skip


def step(state: State, given: Input) -> tuple[State, Outcome]:
    """Fold one input. A reading not newer than the last changes nothing and says so (`ignored`)."""
    if type(given) is Reading:
        return _read(state, given)
    if type(given) is Tick:
        return _tick(state, given)
    assert type(given) is Note
    return _note(state, given)


def _read(state: State, reading: Reading) -> tuple[State, Outcome]:
    at_ms, last_ms, span = reading.at_ms, state.last_ms, state.open_span
    if last_ms is not None and at_ms <= last_ms:
        return state, Outcome(_assessment(state, reading), (), "late" if at_ms < last_ms else "duplicate")
    belief = estimate.advance(state.model, state.belief, reading)
    if span is not None and at_ms - span.begin_ms < SPAN_MS:
        state = _moved(state, belief, at_ms, grown(span, reading), state.span)
        return state, Outcome(_assessment(state, reading))
    state = _moved(state, belief, at_ms, opened(reading, last_ms), state.span if span is None else closed(span))
    if span is None:
        return state, Outcome(_assessment(state, reading))
    state, events = _slow(state, at_ms, ticked=False)
    return state, Outcome(_assessment(state, reading), events)


def _tick(state: State, tick: Tick) -> tuple[State, Outcome]:
    """Time without a reading: the open span is closed, and everything that time alone can change is judged."""
    if state.last_ms is None or tick.at_ms - state.last_ms < SPAN_MS:
        return state, Outcome(_assessment(state, None))
    ticked = True
    if state.open_span is not None:
        state = _moved(state, state.belief, state.last_ms, None, closed(state.open_span))
        ticked = False
    state, events = _slow(state, tick.at_ms, ticked=ticked)
    return state, Outcome(_assessment(state, None, tick.at_ms), events)


def _note(state: State, note: Note) -> tuple[State, Outcome]:
    state = state._replace(belief=estimate.noted(state.model, state.belief, note))
    view = view_of(state, note.at_ms, ticked=True)
    state = state._replace(
        sensors=sensors.noted(view, state.sensors, note),
        charging=charging.noted(view, state.charging, note),
        use=use.noted(view, state.use, note),
        trend=trend.noted(view, state.trend, note),
        care=care.noted(view, state.care, note),
        ageing=ageing.noted(view, state.ageing, note),
    )
    memory, events, details = _judged(view_of(state, note.at_ms, ticked=True), state.alerts)
    state = state._replace(alerts=memory, judged_ms=note.at_ms, details=details)
    return state, Outcome(_assessment(state, None, note.at_ms), events)


def _moved(state: State, belief: estimate.Belief, last_ms: int, open_span: OpenSpan | None, span: Span | None) -> State:
    battery, model, _, _, _, _, s, c, u, t, k, a, alert_memory, judged_ms, details = state
    return State(battery, model, belief, last_ms, open_span, span, s, c, u, t, k, a, alert_memory, judged_ms, details)


def view_of(state: State, now_ms: int, *, ticked: bool) -> View:
    pct, low, high = estimate.interval(state.model, state.belief)
    return View(
        state.battery, state.model, now_ms, ticked, state.span, pct, low, high, state.belief,
        state.sensors, state.charging, state.use, state.trend, state.care, state.ageing,
    )  # fmt: skip


def _slow(state: State, now_ms: int, *, ticked: bool) -> tuple[State, tuple[AlertEvent, ...]]:
    """Renew the slow components in the order of View; judge the rules if it is time or something changed."""
    view = view_of(state, now_ms, ticked=ticked)
    phase, mode, eod_ms = view.charging.phase, view.use.mode, view.trend.eod_ms
    view.sensors = sensors.update(view, view.sensors)
    view.charging = charging.update(view, view.charging)
    view.use = use.update(view, view.use)
    view.trend = trend.update(view, view.trend)
    view.care = care.update(view, view.care)
    view.ageing = ageing.update(view, view.ageing)
    memory, judged_ms, details = state.alerts, state.judged_ms, state.details
    events: tuple[AlertEvent, ...] = ()
    changed = phase != view.charging.phase or mode != view.use.mode or eod_ms != view.trend.eod_ms
    if changed or now_ms - judged_ms >= RULES_EVERY_MS:
        memory, events, details = _judged(view, memory)
        judged_ms = now_ms
    renewed = State(
        state.battery, state.model, state.belief, state.last_ms, state.open_span, state.span,
        view.sensors, view.charging, view.use, view.trend, view.care, view.ageing, memory, judged_ms, details,
    )  # fmt: skip
    return renewed, events


def _judged(view: View, memory: AlertMemory) -> tuple[AlertMemory, tuple[AlertEvent, ...], Details]:
    memory, events, findings = alerts.update(view, memory, RULES)
    return memory, events, details_of(view, findings)


def _assessment(state: State, reading: Reading | None, at_ms: int | None = None) -> Assessment:
    belief = state.belief
    if reading is None:
        if at_ms is not None:
            belief = estimate.aged(state.model, belief, at_ms)
        pct, low, high = estimate.interval(state.model, belief)
        when = at_ms if at_ms is not None else state.last_ms or 0
        return Assessment(state.battery.id, when, None, None, None, pct, low, high, state.charging.phase, belief.anchor, state.details)
    pct, low, high = estimate.interval(state.model, belief)
    return Assessment(
        state.battery.id, reading.at_ms, reading.voltage_v, reading.current_a, reading.temperature_c,
        pct, low, high, state.charging.phase, belief.anchor, state.details,
    )  # fmt: skip


def findings_now(state: State) -> tuple[Finding, ...]:
    """Every finding that holds, alert or not yet."""
    return state.details.findings
