"""The life of an alert after IEC 62682: when a rule's finding begins, worsens and ends. What is true, not who was told.

On-delay, off-delay and chattering live here, hysteresis in the rules; acknowledging, shelving and quiet hours are about people
and live with the ledger.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

from analytics.assessment import AlertEvent, Finding
from analytics.rules import ALL, HOLD, Judgement, Pace, Rule, Said, finding_of
from analytics.value import new
from analytics.view import View

RANK = {"low": 0, "medium": 1, "high": 2}
DAY_MS = 86_400_000
SOON_MS = DAY_MS // 4
AGAIN = 2
"""Judgement: an alert that comes back within six hours of its end, twice in a row, chatters (the standards give no number). Already the
one that came back once ends only after a whole quiet day: an off-delay that learns, so that a person hears of it twice and not all day."""


class Standing(NamedTuple):
    """One rule's condition in time: pending (held, not yet an alert), begun, going, or over since a few hours."""

    rule: str
    priority: str = "low"
    pending_ms: int | None = None
    began_ms: int | None = None
    clearing_ms: int | None = None
    ended_ms: int | None = None
    again: int = 0
    """How often in a row it began again soon after its end."""


class AlertMemory(NamedTuple):
    """Only rules with something to remember are listed."""

    standing: tuple[Standing, ...] = ()


Conditions = tuple[Finding | Said, ...]


def update(
    view: View, memory: AlertMemory, rules: tuple[Rule, ...], paces: tuple[Pace, ...] = ALL, *, heard: bool = True
) -> tuple[AlertMemory, tuple[AlertEvent, ...], Conditions]:
    """Judge the rules; give the new memory, what began, worsened or ended, and every finding that holds now, unspoken or not.

    An alert that simply stands waits for its rule's own pace; what is pending or about to end does not. `heard`: False where nothing was
    heard since the last judging and only time went by; that can begin an alert but never end one, for nobody knows that it is over.
    """
    if view.use.replaced_ms == view.now_ms:
        return AlertMemory(), _all_ended(view, memory.standing, rules, "battery replaced"), ()
    known = {s.rule: s for s in memory.standing}
    kept: list[Standing] = []
    events: list[AlertEvent] = []
    findings: list[Finding | Said] = []
    for rule in rules:
        if rule.name not in known:
            judged = rule.judge(view, False)
            if judged is None or judged is HOLD:
                continue
            standing = Standing(rule.name)
        else:
            standing = known.pop(rule.name)
            if rule.pace not in paces and standing.began_ms is not None and standing.clearing_ms is None:
                kept.append(standing)
                findings.append(new(Said, (rule.name, standing.priority, partial(rule.judge, view, True))))
                continue
            judged = rule.judge(view, standing.began_ms is not None)
            if judged is None and not heard and standing.began_ms is not None:
                judged = HOLD
        if judged is not None and judged is not HOLD:
            findings.append(judged)
            if standing.began_ms is not None and standing.clearing_ms is None and judged.priority == standing.priority:
                kept.append(standing)  # the common one: it stood and stands
                continue
        after, event = _next(view, rule, standing, judged)
        if after is not None:
            kept.append(after)
        if event is not None:
            events.append(event)
    if known:
        events.extend(_all_ended(view, tuple(known.values()), rules, "the rule is no longer judged"))
    return AlertMemory(tuple(kept)), tuple(events), tuple(findings)


def _next(view: View, rule: Rule, standing: Standing, judged: Judgement) -> tuple[Standing | None, AlertEvent | None]:
    """The next state of one rule's standing, and the event if it is one."""
    if judged is HOLD:
        return standing, None
    if judged is None:
        if standing.began_ms is None:
            return _faded(view, standing), None
        return _clearing(view, rule, standing)
    if standing.began_ms is None:
        return _holding(view, rule, standing, judged)
    if RANK[judged.priority] > RANK[standing.priority]:
        worse = standing._replace(priority=judged.priority, clearing_ms=None)
        reason = f"priority rose from {standing.priority} to {judged.priority}"
        return worse, _event(view, rule.name, "worsened", worse, reason, finding_of(judged))
    return (standing if standing.clearing_ms is None else standing._replace(clearing_ms=None)), None


def _faded(view: View, standing: Standing) -> Standing | None:
    """No condition and no alert: remembered for a while after an end, to know a chattering alert."""
    if standing.ended_ms is None or view.now_ms - standing.ended_ms >= SOON_MS:
        return None
    return standing if standing.pending_ms is None else standing._replace(pending_ms=None)


def _holding(view: View, rule: Rule, standing: Standing, judged: Finding | Said) -> tuple[Standing, AlertEvent | None]:
    since = view.now_ms if standing.pending_ms is None else standing.pending_ms
    held_s = (view.now_ms - since) / 1000
    if held_s < rule.on_delay_s:
        return standing._replace(pending_ms=since), None
    recent = standing.ended_ms is not None and view.now_ms - standing.ended_ms < SOON_MS
    again = standing.again + 1 if recent else 0
    reason = f"condition held for {held_s:.0f} s" if rule.on_delay_s else "condition met"
    if again:
        reason += f"; {'chattering: ' if again >= AGAIN else ''}began {again + 1} times, so it ends only after a quiet day"
    began = Standing(rule.name, judged.priority, None, view.now_ms, None, None, again)
    return began, _event(view, rule.name, "began", began, reason, finding_of(judged))


def _clearing(view: View, rule: Rule, standing: Standing) -> tuple[Standing, AlertEvent | None]:
    since = view.now_ms if standing.clearing_ms is None else standing.clearing_ms
    gone_s = (view.now_ms - since) / 1000
    off_delay_s = max(rule.off_delay_s, DAY_MS / 1000) if standing.again else rule.off_delay_s
    if gone_s < off_delay_s:
        return (standing if standing.clearing_ms is not None else standing._replace(clearing_ms=since)), None
    reason = f"condition gone for {gone_s:.0f} s" if off_delay_s else "condition gone"
    event = _event(view, rule.name, "ended", standing, reason, _over(view, rule.name, rule.over(view), standing))
    return Standing(rule.name, ended_ms=view.now_ms, again=standing.again), event


def _all_ended(view: View, standing: tuple[Standing, ...], rules: tuple[Rule, ...], reason: str) -> tuple[AlertEvent, ...]:
    """What was announced is ended aloud, whatever the reason."""
    said = f"Closed: {reason}."
    return tuple(_event(view, s.rule, "ended", s, reason, _over(view, s.rule, said, s)) for s in standing if s.began_ms is not None)


def _over(view: View, rule: str, said: str, standing: Standing) -> Finding:
    lasted_h = (view.now_ms - (standing.began_ms or view.now_ms)) / 3_600_000
    title = "Over: " + rule.replace("_", " ")
    evidence = (("lasted_h", round(lasted_h, 1)),)
    return Finding(rule, standing.priority, title, said, "", "Nothing to do.", "", evidence, "the rule that began it")


def _event(view: View, rule: str, kind: str, standing: Standing, reason: str, finding: Finding | None) -> AlertEvent:
    assert finding is not None  # what begins or worsens has just been judged
    battery_id = view.battery.id
    alert_id = f"{battery_id}:{rule}:{standing.began_ms}"
    return AlertEvent(alert_id, battery_id, rule, kind, view.now_ms, standing.priority, reason, finding)
