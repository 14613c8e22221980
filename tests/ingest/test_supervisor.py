"""Back-off, supervision, clocks and the dating of readings."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.batch import Quarantined
from analytics.reading import Reading
from ingest.backoff import Backoff
from ingest.clock import BELIEVED_AFTER_MS, Steady
from ingest.dating import AHEAD_MS, SETTLE_MS, Dating
from tests.fakes.clock import NOON_MS, HandClock

HOUR, YEAR = 3_600_000, 365 * 86_400_000


@given(seed=st.integers(0, 1000))
def test_waits_double_up_to_the_longest_with_jitter(seed: int) -> None:
    """Each wait lies between half and all of its doubled length, none is longer than the longest, and a success starts anew."""
    backoff = Backoff(0.5, 30.0, random.Random(seed))
    waits = [backoff.next_s() for _ in range(40)]
    for n, wait in enumerate(waits):
        full = min(30.0, 0.5 * 2**n)
        assert full / 2 <= wait <= full
    backoff.reset()
    assert backoff.next_s() <= 0.5


def test_small_corrections_are_followed_and_steps_only_once_they_last() -> None:
    """A second is slewed at once; an hour forwards or backwards is believed after a minute, not before."""
    clock = HandClock()
    steady = Steady(clock)
    clock.step(1000)
    assert steady.now_ms() == clock.wall_ms()
    for step in (HOUR, -2 * HOUR):
        before = steady.now_ms()
        clock.step(step)
        for passed in range(0, BELIEVED_AFTER_MS, 1000):
            assert steady.now_ms() == before + passed
            clock.go(1000)
        assert steady.now_ms() == clock.wall_ms()
    assert steady.steps == 2


def test_a_false_answer_of_a_time_server_is_never_believed() -> None:
    """A year ahead for half a minute, then right again: steady time did not notice."""
    clock = HandClock()
    steady = Steady(clock)
    clock.step(YEAR)
    for _ in range(30):
        clock.go(1000)
        steady.now_ms()
    clock.step(-YEAR)
    assert steady.now_ms() == clock.wall_ms()
    assert steady.steps == 0


def test_the_first_setting_of_the_clock_is_believed_at_once() -> None:
    """A machine that booted in 1970 and learns the time goes there without waiting."""
    clock = HandClock(wall=5000, is_trusted=False)
    steady = Steady(clock)
    clock.step(NOON_MS)
    clock.is_trusted = True
    assert steady.now_ms() == clock.wall_ms()


def judge(dating: Dating, reading: Reading, clock: HandClock, received_ms: int | None = None) -> Reading | Quarantined:
    received = clock.wall_ms() if received_ms is None else received_ms
    return dating.judge(reading, received, clock.monotonic_ms(), clock.wall_ms(), trusted=clock.trusted())


def test_the_future_waits_until_it_has_come() -> None:
    """A reading of 2099 is set apart and stays so; one of in an hour is released in an hour."""
    clock, dating = HandClock(), Dating("own")
    for at_ms in (NOON_MS + HOUR, 4_070_908_800_000):
        apart = judge(dating, Reading("van7", at_ms, 12.6), clock)
        assert isinstance(apart, Quarantined)
        assert apart.reason == "future"
        dating.set_apart(apart)
    assert isinstance(judge(dating, Reading("van7", NOON_MS + AHEAD_MS, 12.6), clock), Reading)
    assert dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True) == []
    clock.go(HOUR)
    (released,) = dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True)
    assert released[1] == Reading("van7", NOON_MS + HOUR, 12.6)
    assert [a.reading.at_ms for a in dating.apart] == [4_070_908_800_000]


def test_readings_of_a_boot_without_a_clock_are_dated_once_the_clock_is_set() -> None:
    """Our own clock unknown at boot: what came then is dated back by the monotonic clock, to the millisecond."""
    clock, dating = HandClock(wall=40_000, monotonic=40_000, is_trusted=False), Dating("own")
    for _ in range(3):
        apart = judge(dating, Reading("van7", clock.wall_ms(), 12.6), clock)
        assert isinstance(apart, Quarantined)
        assert apart.reason == "no clock"
        dating.set_apart(apart)
        clock.go(10_000)
    assert dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=False) == []
    clock.step(NOON_MS)
    clock.is_trusted = True
    dated = [reading.at_ms for _, reading in dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True)]
    assert dated == [NOON_MS + 40_000, NOON_MS + 50_000, NOON_MS + 60_000]


def test_a_senders_boot_is_dated_by_its_first_good_time() -> None:
    """A gateway without a clock sends 1970 with boot id and monotonic time; its first believable time dates all of that boot."""
    clock, dating = HandClock(), Dating("own")
    for up in (5_000, 65_000):
        apart = judge(dating, Reading("van7", up, 12.6, monotonic_ms=up, boot_id="b1"), clock)
        assert isinstance(apart, Quarantined)
        dating.set_apart(apart)
    good = Reading("van7", NOON_MS - 500, 12.5, monotonic_ms=125_000, boot_id="b1")
    assert judge(dating, good, clock) == good
    dated = [r.at_ms for _, r in dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True)]
    assert dated == [NOON_MS - 500 - 120_000, NOON_MS - 500 - 60_000]
    later = judge(dating, Reading("van7", 130_000, 12.5, monotonic_ms=130_000, boot_id="b1"), clock)
    assert isinstance(later, Reading)
    assert later.at_ms == NOON_MS - 500 + 5_000
    assert isinstance(judge(dating, Reading("van7", 7_000, 12.5, monotonic_ms=7_000, boot_id="b2"), clock), Quarantined), (
        "another boot is another clock"
    )


def test_a_sender_that_never_has_a_clock_is_dated_by_the_arrival_of_its_newest() -> None:
    """It empties an hour of stored readings at once: the newest was taken just now, and the others that much before it."""
    clock, dating = HandClock(), Dating("own")
    for up in range(0, HOUR + 1, 600_000):
        apart = judge(dating, Reading("van7", clock.wall_ms(), 12.6, monotonic_ms=up, boot_id="b1"), clock)
        assert isinstance(apart, Quarantined)
        dating.set_apart(apart)
        clock.go(10)
    newest_ms = clock.wall_ms() - 10
    assert dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True) == []
    clock.go(SETTLE_MS)
    dated = [r.at_ms for _, r in dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True)]
    assert dated == [newest_ms - HOUR + up for up in range(0, HOUR + 1, 600_000)]


def test_readings_set_apart_survive_a_restart() -> None:
    """What was set apart before a start is dated by when it had come, even if its sender never speaks again."""
    clock, dating = HandClock(), Dating("own")
    kept = [Quarantined(Reading("van7", 0, 12.6, monotonic_ms=up, boot_id="b1"), NOON_MS - HOUR, "no clock") for up in (0, 1000)]
    dating.revive(kept, clock.monotonic_ms())
    clock.go(SETTLE_MS)
    dated = [r.at_ms for _, r in dating.due(clock.wall_ms(), clock.monotonic_ms(), trusted=True)]
    assert dated == [NOON_MS - HOUR - 1000, NOON_MS - HOUR]


def test_a_step_of_our_own_clock_does_not_date_readings_falsely() -> None:
    """While a step of the wall clock is not believed yet, readings without a time of their own get the steady time."""
    clock, dating = HandClock(), Dating("own")
    stepped = NOON_MS + YEAR
    reading = Reading("van7", stepped, 12.6)
    dated = dating.judge(reading, stepped, clock.monotonic_ms(), NOON_MS, trusted=True)
    assert isinstance(dated, Reading)
    assert dated.at_ms == NOON_MS


@pytest.mark.parametrize("at_ms", [0, 86_400_000, 1_500_000_000_000])
def test_an_impossibly_old_time_is_set_apart_not_dropped(at_ms: int) -> None:
    """1970 or 2017 without boot and monotonic time cannot be dated; it waits for a person, and is counted."""
    apart = judge(Dating("own"), Reading("van7", at_ms, 12.6), HandClock())
    assert isinstance(apart, Quarantined)
    assert apart.reason == "no clock"
