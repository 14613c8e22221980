"""`step(state, input) -> (state, outcome)`: the one function the rest of the house calls. Replay is a fold of it.

Three speeds: each reading moves the estimate; each closed span (a minute, more while nothing changes) moves the slow components; the
rules are judged on a transition or every five minutes (slow ones by the hour), a quarter of an hour while nothing is at stake. No I/O, no clock: time comes in with the input.
"""

from typing import NamedTuple

from analytics import ageing, alerts, care, charging, estimate, sensors, trend, use
from analytics.alerts import AlertMemory
from analytics.assessment import AlertEvent, Assessment, Details, Outcome, Untold
from analytics.battery import Battery
from analytics.details import details_of, is_old
from analytics.reading import Input, Note, Reading, Tick
from analytics.rules import ALL, ON_DELAY_MS, PACES, RULES, soon
from analytics.span import ALIKE_C, ALIKE_V, CALM_MS, IDLE_MS, SPAN_MS, OpenSpan, Span, alike, closed, grown, opened
from analytics.value import new
from analytics.view import View

RULES_EVERY_MS = 300_000
"""Judgement: no rule's delay is shorter than minutes; a change of phase or mode is judged at once."""
WEAK_C = 0.05
"""Judgement: so weak a current (5 A of 100 Ah) moves the charge by 1.3 points in a quarter of an hour at most. Lithium that is being
charged is never idle: whether it is too cold for that is judged every five minutes."""
IDLE_PART = 0.95
"""Of the rest voltage when full. Judgement: 12.1 V of 12.75 V; below, the end of discharge is looked for every five minutes."""


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
    told: Details | Untold

    @property
    def details(self) -> Details:
        """What is said of it in full, as of the last judgement."""
        told = self.told
        return told.said() if isinstance(told, Untold) else told


def begin(battery: Battery) -> State:
    """The state of a battery of which nothing has been heard."""
    model = estimate.model_of(battery)
    return State(
        battery, model, estimate.fresh(model), None, None, None, sensors.SensorMemory(), charging.ChargingMemory(), use.UseMemory(),
        trend.TrendMemory(), care.CareMemory(), ageing.AgeingMemory(), AlertMemory(), 0, Details(0),
    )  # fmt: skip


def step(state: State, given: Input) -> tuple[State, Outcome]:
    """Fold one input. A reading not newer than the last changes nothing and says so (`ignored`).

    For a reading the state is taken apart once and put together once: with one a minute this is done half a million times a year.
    """
    if type(given) is not Reading:
        if type(given) is Tick:
            return _tick(state, given)
        assert type(given) is Note
        return _note(state, given)
    reading = given
    (battery, model, belief, last_ms, open_span, span, sensed, charged, used, trended, cared, aged, memory, judged_ms, told) = state
    _, at_ms, voltage_v, current_a, temperature_c, _, _, _, _ = reading
    if last_ms is not None and at_ms <= last_ms:
        return state, Outcome(_assessment(state, reading), (), "late" if at_ms < last_ms else "duplicate")
    belief = estimate.advance(model, belief, reading)
    pct, low, high = estimate.interval(model, belief)
    events: tuple[AlertEvent, ...] = ()
    if open_span is None:
        open_span = opened(reading, last_ms)
    elif at_ms - open_span.begin_ms < SPAN_MS or (
        alike(open_span, span, reading, ALIKE_V * model.volts, ALIKE_C * model.capacity_ah)
        and (at_ms // CALM_MS == open_span.end_ms // CALM_MS or _idle(model, memory, open_span, reading))
    ):
        open_span = grown(open_span, reading)
    else:
        span, open_span = closed(open_span), opened(reading, last_ms)
        view = View(
            battery, model, at_ms, False, span, pct, low, high, belief, sensed, charged, used, trended, cared, aged
        )  # fmt: skip
        memory, judged_ms, told, events = _slow(view, memory, judged_ms, told)
        sensed, charged, used, trended, cared, aged = view.sensors, view.charging, view.use, view.trend, view.care, view.ageing
    return new(State, (
        battery, model, belief, at_ms, open_span, span, sensed, charged, used, trended, cared, aged, memory, judged_ms, told,
    )), new(Outcome, (new(Assessment, (
        battery.id, at_ms, voltage_v, current_a, temperature_c, pct, low, high, charged.phase, belief.anchor, told,
    )), events, None))  # fmt: skip


def _idle(model: estimate.Model, memory: AlertMemory, open_span: OpenSpan, reading: Reading) -> bool:
    """Whether a calm span may go on from one five minutes of the clock into the next: never beyond the quarter of an hour, and only with
    a weak current, no charger at a limit, far from empty, and no alert about to begin."""
    if reading.at_ms // IDLE_MS != open_span.end_ms // IDLE_MS:
        return False
    a = reading.current_a
    if not IDLE_PART * model.top_v < reading.voltage_v < model.float_v:
        return False
    if a is not None and not -WEAK_C * model.capacity_ah < a < (WEAK_C if model.lead else 0.0) * model.capacity_ah:
        return False
    for s in memory.standing:
        if s.pending_ms is not None and reading.at_ms + IDLE_MS >= s.pending_ms + ON_DELAY_MS.get(s.rule, 0.0):
            return False
    return True


def _tick(state: State, tick: Tick) -> tuple[State, Outcome]:
    """Time without a reading: the open span is closed, and everything that time alone can change is judged."""
    if state.last_ms is None or tick.at_ms - state.last_ms < SPAN_MS:
        return state, Outcome(_assessment(state, None))
    ticked = True
    if state.open_span is not None:
        state = state._replace(open_span=None, span=closed(state.open_span))
        ticked = False
    view = view_of(state, tick.at_ms, ticked=ticked)
    memory, judged_ms, told, events = _slow(view, state.alerts, state.judged_ms, state.told)
    state = State(
        state.battery, state.model, state.belief, state.last_ms, state.open_span, state.span,
        view.sensors, view.charging, view.use, view.trend, view.care, view.ageing, memory, judged_ms, told,
    )  # fmt: skip
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
    view = view_of(state, note.at_ms, ticked=True)
    memory, events, findings = alerts.update(view, state.alerts, RULES)
    state = state._replace(alerts=memory, judged_ms=note.at_ms, told=details_of(view, findings))
    return state, Outcome(_assessment(state, None, note.at_ms), events)


def view_of(state: State, now_ms: int, *, ticked: bool) -> View:
    pct, low, high = estimate.interval(state.model, state.belief)
    return View(
        state.battery, state.model, now_ms, ticked, state.span, pct, low, high, state.belief,
        state.sensors, state.charging, state.use, state.trend, state.care, state.ageing,
    )  # fmt: skip


def _slow(
    view: View, memory: AlertMemory, judged_ms: int, told: Details | Untold
) -> tuple[AlertMemory, int, Details | Untold, tuple[AlertEvent, ...]]:  # fmt: skip
    """Renew the slow components in the order of View, inside it; judge the rules if it is time or something changed."""
    was = _standing_of(view)
    view.sensors = sensors.update(view, view.sensors)
    view.charging = charging.update(view, view.charging)
    view.use = use.update(view, view.use)
    view.trend = trend.update(view, view.trend)
    view.care = care.update(view, view.care)
    view.ageing = ageing.update(view, view.ageing)
    now = _standing_of(view)
    if now == was and view.now_ms - judged_ms < RULES_EVERY_MS:
        return memory, judged_ms, told, ()
    changed, whole = now[:4] != was[:4], now != was or view.ticked
    paces = ALL if whole else PACES[now[3], now[1] == "in use"]
    rules = RULES if whole else soon(tuple([s.rule for s in memory.standing]), paces)
    memory, events, findings = alerts.update(view, memory, rules, paces, heard=not view.ticked)
    if changed or events or is_old(view, judged_ms, told, findings):
        told = details_of(view, findings)
    return memory, view.now_ms, told, events


def _standing_of(view: View) -> tuple[str, str, int | None, bool, int]:
    """What has all rules judged at once when it changes: phase, mode, end of discharge, whether a charge runs; and the hour."""
    charging, trend = view.charging, view.trend
    return charging.phase, view.use.mode, trend.eod_ms, charging.running is not None, trend.hour.at_h


def _assessment(state: State, reading: Reading | None, at_ms: int | None = None) -> Assessment:
    belief = state.belief
    if reading is None:
        if at_ms is not None:
            belief = estimate.aged(state.model, belief, at_ms)
        pct, low, high = estimate.interval(state.model, belief)
        when = at_ms if at_ms is not None else state.last_ms or 0
        return Assessment(state.battery.id, when, None, None, None, pct, low, high, state.charging.phase, belief.anchor, state.told)
    pct, low, high = estimate.interval(state.model, belief)
    return Assessment(
        state.battery.id, reading.at_ms, reading.voltage_v, reading.current_a, reading.temperature_c,
        pct, low, high, state.charging.phase, belief.anchor, state.told,
    )  # fmt: skip
