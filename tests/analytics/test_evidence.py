"""What ageing tells of a life, figure by figure as worked by hand, and that time alone adds nothing to it."""

import pytest

from analytics.ageing import AgeingMemory, Life, update
from analytics.ageing.damage import rated
from analytics.ageing.rainflow import Reversals
from analytics.ageing.telling import evidence_of
from tests.analytics.lives import AGM, NOON_MS, view

HOUR_MS, YEAR_MS = 3_600_000, 31_557_600_000


def test_evidence_says_what_the_life_knows() -> None:
    """A resistance of one and a half times the new one, a fifth of the cycles used, a cycle still open that counts as if it ended now, the charge moved."""
    life = Life(NOON_MS, NOON_MS - YEAR_MS, Reversals((90.0, 60.0, 65.0), 62.0), (6, 4, 0, 0, 0, 0, 0, 0, 0, 2), 0.2)
    seen = view()
    seen.ageing = AgeingMemory(NOON_MS, 250.0, 240.0, life._replace(resistance_new_ohm=0.006, resistance_ohm=0.009))
    known = dict(evidence_of(seen))
    assert known["resistance_against_new"] == 1.5
    assert known["equivalent_full_cycles"] == 2.45
    assert known["cycles_deeper_than_10_pct"] == 3.5
    n, fewest, most, depth = rated(AGM)
    assert (known["rated_cycles"], known["rated_cycles_depth_pct"]) == (n, depth)
    used = 0.2 + sum(0.5 * (range_pct / depth) ** 1.2 / n for range_pct in (30.0, 5.0, 3.0))
    assert known["cycle_life_used_pct"] == pytest.approx(100 * used, abs=0.005)
    left = [1 / (used * n / end) - 1 for end in (fewest, most)]
    assert [known["service_left_earliest_years"], known["service_left_latest_years"]] == pytest.approx(left, abs=0.05)


def test_a_tick_counts_nothing_again() -> None:
    """While nothing is heard the service ticks, and each tick shows the last minute once more: its charge, and the silence before it, count once."""
    seen = view()
    assert seen.span is not None
    seen.span = seen.span._replace(current_a=-6.0, gap_ms=6 * HOUR_MS)
    memory = AgeingMemory(NOON_MS - HOUR_MS // 2, 10.0, 20.0, Life(NOON_MS, 0, silent_h=2.0))
    heard = update(seen, memory)
    assert heard.life is not None
    assert (heard.in_ah, heard.out_ah, heard.life.silent_h) == (10.0, 23.0, 8.0)
    seen.ticked = True
    assert update(seen, memory) == memory
