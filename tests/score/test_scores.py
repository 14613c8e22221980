"""The estimator on recordings whose truth is known: the limits that `make score` prints, held trace by trace (tests/truth/README.md)."""

import pytest

from tests.score.scoring import scored
from tests.score.traces import trace, traces

WORST = {"porous": 1.2, "kinetic": 2.0, "lifepo4": 4.0}


@pytest.mark.parametrize("name", [t.name for family in WORST for t in traces(family)])
def test_each_trace_is_within_its_limit(name: str) -> None:
    """Root mean square error, coverage of the 90 % interval, and the truth inside it at the end."""
    t = trace(name)
    got = scored(t.battery(), t.rows())
    assert got.rmse <= WORST[t.family]
    assert got.width <= 8 or t.family == "lifepo4"
    assert got.cover_pct >= 85
    assert got.end_covered


@pytest.mark.parametrize("name", ["c_storage_2", "d_deep_2", "f_partial", "a_weekend"])
@pytest.mark.parametrize("shift_v", [-0.03, 0.03])
def test_a_table_that_is_30_millivolts_off_is_borne(name: str, shift_v: float) -> None:
    """Owner's tables are 20 to 50 mV off: still within 3.5 points, and the interval knows."""
    t = trace(name)
    got = scored(t.battery(shift_v=shift_v), t.rows())
    assert got.rmse <= 2.5
    assert got.cover_pct >= 80
    assert got.width <= 8


@pytest.mark.parametrize("name", ["b_solar10_2", "d_deep", "f_partial_2", "g_lfp_weekend", "i_lfp_cycling"])
def test_without_a_current_sensor_it_stays_honest(name: str) -> None:
    """Voltage only: within 10 points, and inside the interval 85 % of the time."""
    t = trace(name)
    got = scored(t.battery(), t.rows(), voltage_only=True)
    assert got.rmse <= 10
    assert got.cover_pct >= 85


@pytest.mark.parametrize("family", WORST)
def test_the_interval_holds_what_it_says(family: str) -> None:
    """With owner's and sensor's errors drawn anew the truth is inside nine tenths of the time, 85 to 97 % (`make score` draws more)."""
    found = [scored(t.guessed(2), t.remade(2)) for t in traces(family)]
    assert max(s.rmse for s in found) <= 1.5 * WORST[family] + 2.0
    assert 85 <= sum(s.cover_pct for s in found) / len(found) <= 97
