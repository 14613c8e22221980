"""The life of an alert: delays, hysteresis, worsening, chattering, and the promise that what was announced is also ended."""

from collections.abc import Sequence

from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import alerts
from analytics.alerts import AGAIN, SOON_MS, AlertMemory
from analytics.assessment import AlertEvent, Finding
from analytics.core import begin, view_of
from analytics.rules import ALL, HOLD, PACES, RULES, Judgement, Rule, finding_of
from analytics.use import UseMemory
from analytics.view import View
from tests.analytics.lives import HOUR_MS, START_MS, agm

MINUTE_MS = 60_000


def view(at_ms: int, replaced_ms: int | None = None) -> View:
    state = begin(agm())._replace(use=UseMemory(replaced_ms=replaced_ms))
    return view_of(state, at_ms, ticked=False)


def finding(priority: str = "low") -> Finding:
    return Finding("damp", priority, "Damp", "seen", "meaning", "advice", "", (), "a test")


class Script:
    """A rule that says what it is told to say, one word a minute."""

    def __init__(self, words: Sequence[Judgement], on_delay_s: float = 0, off_delay_s: float = 0) -> None:
        self.words = list(words)
        self.stood: list[bool] = []
        self.rule = Rule("damp", on_delay_s, off_delay_s, self.judge, lambda view: "It is dry.")

    def judge(self, view: View, standing: bool) -> Judgement:
        self.stood.append(standing)
        return self.words[(view.now_ms - START_MS) // MINUTE_MS]

    def run(self, unheard: Sequence[int] = ()) -> tuple[AlertMemory, list[AlertEvent]]:
        """`unheard`: minutes of which nothing is heard."""
        memory, events = AlertMemory(), []
        for minute in range(len(self.words)):
            memory, new, _ = alerts.update(view(START_MS + minute * MINUTE_MS), memory, (self.rule,), heard=minute not in unheard)
            events.extend(new)
        return memory, events


def minutes(events: list[AlertEvent]) -> list[tuple[str, int]]:
    return [(e.kind, (e.at_ms - START_MS) // MINUTE_MS) for e in events]


def test_an_alert_begins_only_after_its_on_delay() -> None:
    """A condition that goes away before the delay is over never becomes an alert; one that stays does, and says how long it held."""
    memory, events = Script([finding()] * 4 + [None] + [finding()] * 7, on_delay_s=300).run()
    assert minutes(events) == [("began", 10)]
    assert events[0].reason == "condition held for 300 s"
    assert memory.standing[0].began_ms == START_MS + 10 * MINUTE_MS


def test_an_alert_ends_only_after_its_off_delay() -> None:
    """A condition that comes back while it is clearing goes on as the same alert."""
    _, events = Script([finding()] + [None] * 2 + [finding()] + [None] * 6, off_delay_s=240).run()
    assert minutes(events) == [("began", 0), ("ended", 8)]
    assert events[1].reason == "condition gone for 240 s"
    assert events[1].finding.seen == "It is dry."


def test_while_nothing_is_heard_alerts_begin_and_none_ends() -> None:
    """Time alone may show what goes wrong, but not that it is over: that waits for the next word, and the time until then counts."""
    assert minutes(Script([finding(), None, None, None, None]).run(unheard=(1, 2))[1]) == [("began", 0), ("ended", 3)]
    _, events = Script([finding(), *[None] * 9], off_delay_s=120).run(unheard=range(2, 7))
    assert minutes(events) == [("began", 0), ("ended", 7)]
    assert events[-1].reason == "condition gone for 360 s"
    assert minutes(Script([None, finding(), finding()]).run(unheard=(1, 2))[1]) == [("began", 1)]


def test_a_rule_is_told_whether_its_alert_stands() -> None:
    """Hysteresis lives in the rule, so it must know which threshold to use."""
    script = Script([finding(), finding(), None, None])
    script.run()
    assert script.stood == [False, True, True, False]


def test_hold_changes_nothing() -> None:
    """A rule that cannot judge leaves a pending alert pending and a standing one standing, however long."""
    _, events = Script([finding()] + [HOLD] * 20 + [finding()] + [HOLD] * 50 + [None], on_delay_s=60).run()
    assert minutes(events) == [("began", 21), ("ended", 72)]
    memory, events = Script([HOLD] * 5).run()
    assert (memory, events) == (AlertMemory(), [])


def test_an_alert_worsens_but_never_gets_milder() -> None:
    """A higher priority is an event of its own; a lower one is not, and the end is told with the highest."""
    _, events = Script([finding("low"), finding("medium"), finding("high"), finding("low"), None]).run()
    assert [(e.kind, e.priority) for e in events] == [("began", "low"), ("worsened", "medium"), ("worsened", "high"), ("ended", "high")]
    assert events[1].reason == "priority rose from low to medium"
    assert len({e.alert_id for e in events}) == 1


def test_an_alert_is_named_by_battery_rule_and_beginning() -> None:
    """The same fold names the same alert, so that a replay or a restart repeats nothing."""
    first, second = Script([None, finding(), None]).run()[1], Script([None, finding(), None]).run()[1]
    assert first == second
    assert first[0].alert_id == f"heron:damp:{START_MS + MINUTE_MS}"


def test_an_alert_that_comes_back_within_hours_then_stands_through_a_quiet_day() -> None:
    """What comes and goes each hour is said twice and not ten times: the second time it ends only after a day without the condition."""
    words: list[Judgement] = []
    for _ in range(10):
        words += [finding()] * 2 + [None] * 58
    _, events = Script(words + [None] * (24 * 60)).run()
    assert [e.kind for e in events] == ["began", "ended"] * AGAIN
    assert events[2].reason == "condition met; began 2 times, so it ends only after a quiet day"
    assert events[-1].at_ms - START_MS >= (9 * 60 + 2 + 24 * 60) * MINUTE_MS


def test_what_comes_back_even_after_a_quiet_day_is_called_chattering() -> None:
    """Back within hours of its end for the second time in a row, through the longer delay: it says so."""
    quiet = [None] * (24 * 60 + 30)
    _, events = Script([finding(), *quiet[:30], finding(), *quiet, finding(), *quiet]).run()
    assert [e.kind for e in events] == ["began", "ended"] * 3
    assert "chattering: began 3 times" in events[4].reason


def test_an_alert_that_comes_back_the_next_day_does_not_chatter() -> None:
    """The count of returns starts anew once the alert has been gone for hours."""
    gone = SOON_MS // MINUTE_MS + 1
    _, events = Script(([finding()] * 2 + [None] * gone) * 4).run()
    assert all("chattering" not in e.reason for e in events)
    assert len(events) == 8


def test_a_replaced_battery_ends_every_alert_aloud() -> None:
    """Another battery in place: what was announced is ended, with the reason, and nothing pending survives."""
    memory, _ = Script([finding("medium")] * 3).run()
    at_ms = START_MS + HOUR_MS
    memory, events, _ = alerts.update(view(at_ms, replaced_ms=at_ms), memory, (Script([finding()] * 99).rule,))
    assert [(e.kind, e.reason, e.priority) for e in events] == [("ended", "battery replaced", "medium")]
    assert events[0].finding.seen == "Closed: battery replaced."
    assert memory == AlertMemory()


def test_an_alert_of_a_rule_that_is_gone_is_ended_aloud() -> None:
    """An update that drops a rule does not leave its alerts standing for ever."""
    memory, _ = Script([finding()]).run()
    memory, events, _ = alerts.update(view(START_MS + HOUR_MS), memory, ())
    assert [(e.kind, e.reason) for e in events] == [("ended", "the rule is no longer judged")]
    assert memory == AlertMemory()


def test_between_the_hours_a_slow_alert_that_simply_stands_waits_and_is_still_told() -> None:
    """Its rule is asked again when the hour turns, or by whoever reads the details; what is pending or about to end is judged each time."""
    script = Script([finding(), finding(), finding("high"), None, None, None], on_delay_s=60, off_delay_s=60)
    memory, events, told = AlertMemory(), [], []
    for minute in range(6):
        paces = ALL if minute in (0, 3) else PACES[False, False]
        memory, new, conditions = alerts.update(view(START_MS + minute * MINUTE_MS), memory, (script.rule,), paces)
        events.extend(new)
        told.append([finding_of(c) for c in conditions])
    assert minutes(events) == [("began", 1), ("ended", 4)]
    assert told == [[finding()], [finding()], [finding("high")], [], [], []]


WORDS: st.SearchStrategy[Judgement] = st.sampled_from([None, HOLD, finding("low"), finding("medium"), finding("high")])


@settings(max_examples=200, deadline=None)
@given(st.lists(WORDS, max_size=60), st.sampled_from([0, 60, 240]), st.sampled_from([0, 60, 600]))
def test_whatever_a_rule_says_alerts_begin_and_end_in_turn(words: list[Judgement], on_delay_s: float, off_delay_s: float) -> None:
    """Began, perhaps worsened, ended: never two beginnings without an end, never an end of something unannounced, priorities only rise."""
    memory, events = Script(words, on_delay_s, off_delay_s).run()
    open_: str | None = None
    rank = -1
    for event in events:
        if event.kind == "began":
            assert open_ is None
            open_, rank = event.alert_id, alerts.RANK[event.priority]
        else:
            assert event.alert_id == open_
            assert alerts.RANK[event.priority] >= rank + (event.kind == "worsened")
            rank = alerts.RANK[event.priority]
            if event.kind == "ended":
                open_ = None
    standing = [s for s in memory.standing if s.began_ms is not None]
    assert [f"heron:damp:{s.began_ms}" for s in standing] == ([] if open_ is None else [open_])


@settings(max_examples=100, deadline=None)
@given(st.lists(WORDS, max_size=40), st.integers(0, 40))
def test_a_restart_neither_forgets_nor_repeats(words: list[Judgement], cut: int) -> None:
    """The memory is all there is: going on from a kept memory gives the events that the whole run gives."""
    script = Script(words, 120, 120)
    _, whole = script.run()
    memory, events = AlertMemory(), []
    for minute in range(len(words)):
        if minute == cut:
            memory = AlertMemory(tuple(alerts.Standing(*s) for s in memory.standing))
        memory, new, _ = alerts.update(view(START_MS + minute * MINUTE_MS), memory, (script.rule,))
        events.extend(new)
    assert events == whole


def test_what_a_setting_is_blamed_for_outlasts_a_milder_morning() -> None:
    """A charger's compensation is judged at each temperature, and told once: the alert ends only after a day that it suited."""
    rule = next(r for r in RULES if r.name == "charge_compensation")
    script = Script([finding(), None, finding(), None, finding()] + [None] * (24 * 60 + 1), off_delay_s=rule.off_delay_s)
    assert minutes(script.run()[1]) == [("began", 0), ("ended", 5 + 24 * 60)]
