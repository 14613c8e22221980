"""Which stamps far from now are a wrong clock's, and which are a backlog's: judged by how they come."""

import pytest

from analytics.reading import Reading
from analytics.sensors import WrongClock
from ingest.wrong_clock import Found, WrongClocks
from tests.fakes.clock import NOON_MS

MINUTE, HOUR, DAY = 60_000, 3_600_000, 86_400_000
FAR = 40 * DAY
BACK, AHEAD = -730 * DAY, 730 * DAY


def heard(
    clocks: WrongClocks, stamps: list[tuple[float, float]], by_ms: int = BACK, *, seen: bool = True
) -> list[tuple[int, Found | None]]:
    """(minutes of arrival, minutes by the stamp) → how each is dated, against its arrival, and what is found. The newest kept is of noon."""
    told = []
    for came, stamped in stamps:
        reading = Reading("van7", NOON_MS + by_ms + round(stamped * MINUTE), 12.6)
        came_ms = round(came * MINUTE)
        dated, found = clocks.judge(reading, "mqtt", NOON_MS + came_ms, came_ms, NOON_MS - FAR, seen=seen)
        told.append((dated.at_ms - NOON_MS - came_ms, found))
    return told


@pytest.mark.parametrize("by_ms", [BACK, AHEAD, -26 * 365 * DAY])
@pytest.mark.parametrize("every", [1, 5, 15, 60, 1440])
def test_stamps_at_the_pace_of_arrival_are_a_wrong_clocks(by_ms: int, every: int) -> None:
    """Found with the third reading after ten minutes, whether a reading comes each minute or each day, and dated by its arrival from then on."""
    told = heard(WrongClocks(FAR, 120_000), [(m, m) for m in range(0, 13 * every, every)], by_ms)
    first = next(n for n, (_, found) in enumerate(told) if found is not None)
    assert first == max(2, -(-10 // every))
    assert told[first] == (0, Found(-by_ms))
    assert all(off == by_ms for off, _ in told[:first])


@pytest.mark.parametrize(
    ("came", "stamped"),
    [
        ([n / 600 for n in range(600)], range(600)),  # ten a second
        ([n / 2 for n in range(300)], range(300)),  # twice as fast as they were taken
        ([n * 0.8 for n in range(300)], range(300)),
        (range(0, 9000, 15), [n * 60 for n in range(600)]),  # one of each hour with each quarter of an hour
        ([10, 20], [10, 20]),  # two are no pace
        (range(9), range(9)),  # nor are eight minutes
        (list(range(60)), [5] * 60),  # the same one again and again
    ],
)  # fmt: skip
def test_a_backlog_keeps_its_own_time(came: list[float], stamped: list[float]) -> None:
    """What comes faster than it was taken, once or twice only, or again and again, is no clock's doing."""
    told = heard(WrongClocks(FAR, 120_000), list(zip(came, stamped, strict=True)))
    assert all(found is None for _, found in told)
    assert [off for off, _ in told] == [BACK + round(s * MINUTE) - round(c * MINUTE) for c, s in zip(came, stamped, strict=True)]


def test_old_readings_sent_between_new_ones_are_a_backlog() -> None:
    """A gateway that sends one of last year with each of now has a clock that is right."""
    clocks = WrongClocks(FAR, 120_000)
    for m in range(60):
        assert heard(clocks, [(m, m)]) == [(BACK, None)]
        assert heard(clocks, [(m, m)], 0) == [(0, None)]


def test_bundles_and_a_burst_do_not_hide_the_pace() -> None:
    """Five hours that were stored come at once, then a bundle each quarter of an hour: found, and by its freshest stamps."""
    burst = [(0.0, float(m)) for m in range(-300, 0)]
    bundles = [(float(q), float(q - 14 + m)) for q in range(0, 600, 15) for m in range(15)]
    told = heard(WrongClocks(FAR, 120_000), burst + bundles)
    assert {found for _, found in told if found is not None} == {Found(-BACK)}
    first = next(n for n, (_, found) in enumerate(told) if found is not None)
    assert first <= len(burst) + 15 * 4 * 8, "within eight hours"


def test_a_clock_ahead_that_nobody_saw_jump_must_last_a_day() -> None:
    """It may be ours that is behind, until a time service has set it."""
    told = heard(WrongClocks(FAR, 120_000), [(m, m) for m in range(0, 1500, 5)], AHEAD, seen=False)
    assert next(n for n, (_, found) in enumerate(told) if found is not None) == 1440 // 5


def test_a_known_clock_dates_what_comes_and_ends_with_a_good_stamp() -> None:
    """Bursts after it was found are dated too; what it dated before is left, so that nothing is counted twice; only a newer good stamp ends it."""
    clocks = WrongClocks(FAR, 120_000)
    clocks.learn("van7", WrongClock(-BACK, NOON_MS, "mqtt"))
    assert heard(clocks, [(300, 10), (300, 299)]) == [(-290 * MINUTE, None), (-MINUTE, None)]
    assert heard(clocks, [(301, -5)]) == [(BACK - 306 * MINUTE, None)]
    assert heard(clocks, [(302, -60)], 0) == [(-362 * MINUTE, None)]
    assert heard(clocks, [(303, 303)], 0) == [(0, Found(None))]
    other, found = clocks.judge(Reading("van7", NOON_MS + HOUR, 12.6), "serial", NOON_MS + HOUR, HOUR, NOON_MS - FAR, seen=True)
    assert (other.at_ms, found) == (NOON_MS + HOUR, None), "another sender's clock says nothing of this one"
    assert clocks.dated(Reading("van7", NOON_MS + BACK + HOUR, 12.6), NOON_MS + HOUR) == Reading("van7", NOON_MS + HOUR, 12.6)
    assert clocks.dated(Reading("van7", NOON_MS + AHEAD, 12.6), NOON_MS + HOUR) is None
    clocks.learn("van7", None)
    assert clocks.dated(Reading("van7", NOON_MS + BACK + HOUR, 12.6), NOON_MS + HOUR) is None
