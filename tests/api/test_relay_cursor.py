"""The relay's cursor: whatever arrives in whatever order, and wherever it breaks, everything is forwarded in the end."""

from itertools import islice, pairwise
from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.reading import Reading
from api.relay_cursor import DAY_MS, DAYS_KEPT, RECENT_MS, Cursor, stretches_of

MINUTE_MS = 60_000
T0 = 20_000 * DAY_MS


class Van:
    """A history in memory and a link that breaks: the loop of api.relay without database and network."""

    def __init__(self) -> None:
        self.history: set[Reading] = set()
        self.arrived: list[Reading] = []
        self.cursor = Cursor()

    def readings(self, from_ms: int, to_ms: int | None) -> list[Reading]:
        return sorted(r for r in self.history if r.at_ms >= from_ms and (to_ms is None or r.at_ms < to_ms))

    def window(self, breaks: bool, most: int = 7, messages: int = 1) -> bool:
        """One window; where it breaks, the messages arrive and the cursor does not move. False: nothing to send."""
        plan, sent = self.cursor.copy(), []
        last_ms = max((r.at_ms for r in self.history), default=None)
        if last_ms is not None and last_ms >= plan.new_ms:
            plan.cut(last_ms)
            for stretch in islice(stretches_of("van", plan.new_ms, None, iter(self.readings(plan.new_ms, None)), most), 1):
                plan.take(stretch)
                sent.append(stretch)
        if plan.gaps:
            from_ms, to_ms = plan.gaps[0]
            for stretch in islice(stretches_of("van", from_ms, to_ms, iter(self.readings(from_ms, to_ms)), most), messages):
                plan.take(stretch)
                sent.append(stretch)
        self.arrived += [r for stretch in sent for r in stretch.readings]
        if not breaks:
            for stretch in sent:
                plan.arrived(stretch)
            self.cursor = Cursor.load(plan.dump())
        return bool(sent)

    def look_back(self) -> None:
        for day, from_ms, to_ms in list(self.cursor.settled_days()):
            if len(self.readings(from_ms, to_ms)) > self.cursor.days.get(day, 0):
                self.cursor.again(from_ms, to_ms)


acts = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.integers(0, 6 * 1440), st.integers(1, 40)),
        st.tuples(st.just("window"), st.booleans(), st.integers(0, 3)),
        st.tuples(st.just("look"), st.just(0), st.just(0)),
    ),
    max_size=40,
)


@settings(max_examples=150, deadline=None)
@given(acts)
def test_in_the_end_everything_has_arrived(acts: list[tuple[str, int, int]]) -> None:
    """Readings in any order, late ones and doubles of a millisecond too, windows that break anywhere: the far end has exactly the history."""
    van = Van()
    for act, a, b in acts:
        if act == "write":
            van.history |= {Reading("van", T0 + (a + i // 2) * MINUTE_MS, 12.5, sequence=i) for i in range(b)}
        elif act == "window":
            van.window(bool(a), messages=1 + b)
        else:
            van.look_back()
    for _ in range(3):
        while van.window(False):
            pass
        van.look_back()
    assert set(van.arrived) == van.history
    assert not van.cursor.gaps
    assert sum(van.cursor.days.values()) == len(van.history)


@given(st.lists(st.integers(0, 30), max_size=60), st.integers(1, 9), st.booleans())
def test_messages_of_one_stretch_follow_each_other(times: list[int], most: int, open_ended: bool) -> None:
    """Each begins where the last one ended, none cuts a millisecond in two, and together they hold every reading once, in order."""
    there = [Reading("van", at, 12.5, sequence=nth) for nth, at in enumerate(sorted(times))]
    made = list(stretches_of("van", 0, None if open_ended else 100, iter(there), most))
    assert [r for stretch in made for r in stretch.readings] == there
    assert all(a.to_ms == b.from_ms for a, b in pairwise(made))
    assert all(a.from_ms <= r.at_ms < a.to_ms for a in made for r in a.readings)
    if open_ended:
        assert all(a.readings for a in made)
    else:
        assert made[-1].to_ms == 100


def test_the_newest_go_first() -> None:
    """After three weeks offline the last ten minutes are the first that arrive, then the backlog from its beginning."""
    van = Van()
    van.history = {Reading("van", T0 + i * MINUTE_MS, 12.5) for i in range(21 * 1440)}
    van.window(False, most=50)
    newest = max(r.at_ms for r in van.history)
    assert [r.at_ms for r in van.arrived[:11]] == [newest - RECENT_MS + i * MINUTE_MS for i in range(11)]
    assert van.arrived[11].at_ms == T0


def test_something_new_never_waits_for_the_backlog() -> None:
    """While a backlog is under way, a new reading is in the next window."""
    van = Van()
    van.history = {Reading("van", T0 + i * MINUTE_MS, 12.5) for i in range(1440)}
    van.window(False)
    new = Reading("van", T0 + 1440 * MINUTE_MS, 11.9)
    van.history.add(new)
    van.window(False)
    assert new in van.arrived
    assert van.cursor.gaps


def test_a_steady_link_sends_each_reading_once() -> None:
    """With no faults and nothing late, nothing goes twice, and looking back finds nothing."""
    van, luck = Van(), Random(1)
    for i in range(300):
        van.history.add(Reading("van", T0 + i * MINUTE_MS, 12.5))
        if luck.random() < 0.5:
            while van.window(False):
                pass
            van.look_back()
    while van.window(False):
        pass
    assert sorted(van.arrived) == sorted(van.history)


def test_the_kept_cursor_stays_small() -> None:
    """A year of days leaves at most two months of counts."""
    van = Van()
    for day in range(365):
        van.history = {Reading("van", T0 + day * DAY_MS + i * 3_600_000, 12.5) for i in range(24)}
        while van.window(False, most=50):
            pass
    assert len(van.cursor.days) <= DAYS_KEPT + 1
    assert len(str(van.cursor.dump())) < 1500
