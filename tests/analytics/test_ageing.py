"""Ageing: rainflow as the standard counts, no cycle twice, Miner's sum, and what a battery's life says in figures and sentences."""

import itertools
import json
from collections import Counter
from dataclasses import replace
from math import sqrt

import pytest
import rainflow as reference
from hypothesis import assume, given
from hypothesis import strategies as st

from analytics.ageing.capacity import leg_weighed
from analytics.ageing.damage import damage, equivalent_full_cycles, life_cycles, rated
from analytics.ageing.life import life_after
from analytics.ageing.memory import AgeingMemory, Leg, Life, Pace
from analytics.ageing.rainflow import Reversals, counted, push
from analytics.ageing.telling import capacity_interval, end_of_service, evidence_of, oftener, sentences_of
from analytics.alerts import AlertMemory, update
from analytics.assessment import Finding
from analytics.battery import Battery
from analytics.charging import Session
from analytics.core import State, begin, step, view_of
from analytics.keep import dumps, loads
from analytics.reading import Note, Reading
from analytics.rules import RULES, Said, finding_of
from analytics.view import View
from tests.outside import fact, facts
from tests.score.remade import Row
from tests.score.scoring import reading
from tests.score.traces import trace
from tests.score.weeks import week

STANDARD = (-2, 1, -3, 5, -1, 3, -4, 4, -2)
"""The series of ASTM E1049-85, as quoted from its 2011 edition."""
TRACE = (100, 80, 90, 70, 100, 50, 100)
DAY_MS = 86_400_000
BEGIN_MS = 1_767_225_600_000


def streamed(series: list[float] | tuple[float, ...], keep_every: int = 0) -> Counter[float]:
    """Counts of the series pushed one by one; with `keep_every` the state goes through JSON each so many values."""
    state, found = Reversals(), Counter[float]()
    for n, value in enumerate(series):
        state, cycles = push(state, value)
        for depth, count in cycles:
            found[depth] += count
        if keep_every and n % keep_every == 0:
            points, extreme = json.loads(json.dumps(state))
            state = Reversals(tuple(points), extreme)
    for depth, count in counted(state):
        found[depth] += count
    return found


def test_the_series_of_the_standard() -> None:
    """ASTM E1049-85: the worked series gives exactly the counts of the standard, and nothing else."""
    found = streamed(STANDARD)
    assert {f"RF-{depth:.0f}": count for depth, count in found.items()} == {r.id: r.value for r in facts("RF-") if r.id[3:].isdigit()}


def test_a_trace_of_charge() -> None:
    """The trace of the check values gives one cycle each of 10, 30 and 50 %."""
    found = streamed(TRACE)
    assert {f"RF-SOC-{depth:.0f}": count for depth, count in found.items()} == {r.id: r.value for r in facts("RF-SOC-")}


@given(st.lists(st.integers(0, 100), min_size=2, max_size=60))
def test_the_stream_counts_what_the_reference_library_counts(series: list[int]) -> None:
    """For any series the stream gives what the general-purpose `rainflow` library counts in one batch."""
    assume(len(list(reference.reversals(series))) >= 3)  # the library counts nothing in a series that only rises or falls
    expected = Counter(dict(reference.count_cycles(series)))
    found = streamed(series)
    assert {d: c for d, c in found.items() if d} == {d: c for d, c in expected.items() if d}


@given(st.lists(st.integers(0, 100), min_size=2, max_size=60), st.integers(1, 7))
def test_keeping_and_loading_changes_no_count(series: list[int], every: int) -> None:
    """A state that goes through JSON again and again counts no cycle twice and loses none."""
    assert streamed(series, every) == streamed(series)


@given(st.lists(st.floats(0, 100, allow_nan=False), min_size=2, max_size=80))
def test_noise_below_the_least_turn_makes_no_cycles(series: list[float]) -> None:
    """With a least turn of 2, no cycle of less than 2 is closed."""
    state = Reversals()
    for value in series:
        state, cycles = push(state, value, 2.0)
        assert all(depth >= 2.0 for depth, _ in cycles)


def test_miner_and_equivalent_full_cycles() -> None:
    """The worked sums of the check values: Miner over a synthetic curve, and charge moved both ways."""
    assert life_cycles(20, 500, 50) == pytest.approx(fact("MINER-N20").value, abs=0.5)
    assert damage(((20, 100), (50, 50), (80, 10)), 500, 50) == pytest.approx(fact("MINER-EX").value, abs=5e-5)
    assert damage(streamed(TRACE).items(), 500, 50) == pytest.approx(0.003373, abs=1e-6)
    moved = sum(abs(b - a) for a, b in itertools.pairwise(TRACE))
    assert equivalent_full_cycles(moved / 2, moved / 2, 100) == pytest.approx(fact("EFC-SOC").value)


def test_rated_cycles_are_the_owners_or_a_wide_range() -> None:
    """A declared cycle life is used with a third either way; without one the trade's range, which holds the check value."""
    assert rated(Battery("a", "agm", 100, rated_cycles=600, rated_cycles_depth_pct=80)) == (600, pytest.approx(402), pytest.approx(798), 80)
    for chemistry, row in (("flooded", "CYC-flooded-50"), ("agm", "CYC-AGM-50"), ("gel", "CYC-gel-50"), ("lifepo4", "CYC-LiFePO4-80")):
        _, low, high, _ = rated(Battery("b", chemistry, 100))
        assert low <= fact(row).value <= high


def lived(days: int, *, hours_out: float = 8.0, amps: float = 5.0, battery: Battery | None = None) -> State:
    """A battery used each day: out at `amps` for some hours, then charged back, read every ten minutes."""
    state = begin(battery or Battery("life", "agm", 100.0, initial_state_of_charge_pct=100.0))
    out_h, in_h = hours_out, hours_out * 1.08
    for day in range(days):
        for tick in range(144):
            hour = tick / 6
            current = -amps if hour < out_h else amps if hour < out_h + in_h else 0.0
            charge = max(0.0, min(1.0, 1 - amps * min(hour, out_h) / 100 + (amps * (hour - out_h) / 108 if hour > out_h else 0.0)))
            volts = 11.8 + 1.0 * charge + 0.01 * current + (0.4 if current > 0 else 0.0)
            state, _ = step(state, Reading("life", BEGIN_MS + day * DAY_MS + tick * 600_000, round(volts, 3), current, 20.0))
    return state


def test_throughput_is_counted_and_survives_keeping() -> None:
    """Ten days of 40 Ah out give 400 Ah out, in and out of the kept form alike, in few bytes."""
    battery = Battery("life", "agm", 100.0, initial_state_of_charge_pct=100.0)
    state = lived(10, battery=battery)
    assert state.ageing.out_ah == pytest.approx(400, rel=0.02)
    assert state.ageing.in_ah == pytest.approx(432, rel=0.02)
    assert loads(battery, dumps(state)).ageing == state.ageing
    assert len(json.dumps(state.ageing)) < 450
    assert dict(state.details.ageing)["equivalent_full_cycles"] == pytest.approx(4.16, rel=0.03)


def test_the_charge_factor_is_measured_from_full_to_full() -> None:
    """40 Ah out and 44 Ah in, from one full charge to the next, are a factor of 1.10; after an hour of silence nothing is told."""
    state = lived(2)
    life = state.ageing.life
    assert life is not None
    begun = BEGIN_MS + DAY_MS
    full = state.charging._replace(session=Session(begun, begun + 1, charge_ah=44.0), full_ms=begun + 1)
    view = view_of(state._replace(charging=full), begun + 2, ticked=False)
    before = life._replace(full=(BEGIN_MS, 100.0, 90.0))
    after = life_after(view, before, 144.0, 130.0, silent=False)
    assert after.charge_factor == pytest.approx(1.10)
    assert life_after(view, before, 144.0, 130.0, silent=True).charge_factor is None
    assert life_after(view, after, 150.0, 130.0, silent=False).charge_factor == after.charge_factor


def seen(life: Life, *, days: float = 100.0, battery: Battery | None = None, memory: AgeingMemory | None = None) -> View:
    """A view of a battery with this life, so many days after its beginning."""
    state = begin(battery or Battery("x", "agm", 100.0))
    state = state._replace(ageing=memory or AgeingMemory(None, 0.0, 0.0, life))
    return view_of(state, BEGIN_MS + int(days * DAY_MS), ticked=False)


LIFE = Life(BEGIN_MS, BEGIN_MS)


def test_service_life_is_foreseen_as_a_range_and_not_too_early() -> None:
    """Nothing is foretold in the first month; later the range runs from the fewest to the most cycles published."""
    assert end_of_service(seen(LIFE, days=20), 0.2) is None
    service = end_of_service(seen(LIFE, days=365.25), 0.2)
    assert service is not None
    assert service.latest_years is not None
    n, fewest, most, _ = rated(Battery("x", "agm", 100))
    assert service.earliest_years == pytest.approx((1 - 0.2 * n / fewest) / (0.2 * n / fewest))
    assert service.latest_years == pytest.approx((1 - 0.2 * n / most) / (0.2 * n / most))
    assert end_of_service(seen(LIFE, days=365), 0.001).latest_years is None  # type: ignore[union-attr]


def test_oftener_is_a_measured_sentence() -> None:
    """Needing charge more often than when new is said with both means, and only once both are known."""
    new, now = Pace(8, 4.0, 40.0), Pace(8, 2.6, 26.0)
    assert oftener(new, LIFE.now) is None
    assert oftener(new, Pace(8, 3.9, 39.0)) is None
    said = oftener(new, now)
    assert said is not None
    assert "26 Ah" in said
    assert "40 Ah" in said
    assert "every 2.6 days" in said


def test_capacity_between_known_states_has_an_interval() -> None:
    """A capacity is told with its 90 % interval, the table's own error included, and none is told before one was measured."""
    assert capacity_interval(seen(LIFE)) is None
    value, low, high = capacity_interval(seen(LIFE._replace(capacity_ah=80.0, capacity_var=9.0))) or (0, 0, 0)
    assert (value, high - value) == (80.0, pytest.approx(1.645 * sqrt(9 + (0.15 * 80) ** 2)))
    assert low < value


def test_a_leg_is_weighed_by_total_least_squares() -> None:
    """Fifty of a hundred points and 45 Ah between two rests are 90 Ah; a second leg that says the same halves the variance at most."""
    view = seen(LIFE)
    high, low = Leg(BEGIN_MS, 90.0, 0.0, 0.0, 1.0), Leg(BEGIN_MS + 36_000_000, 40.0, 0.0, 45.2, 1.0)
    once = leg_weighed(view, LIFE, high, low)
    assert once is not None
    assert once.capacity_ah == pytest.approx(90, abs=0.5)
    again = leg_weighed(view, once, high, low)
    assert again is not None
    assert again.capacity_ah == pytest.approx(90, abs=0.5)
    assert 0.45 * once.capacity_var < again.capacity_var < 0.6 * once.capacity_var
    assert leg_weighed(view, LIFE, high, low._replace(pct=80.0)) is None  # ten points say nothing


@pytest.mark.parametrize(("name", "true_ah"), [("d_deep", 100.0), ("f_partial_2", 84.0), ("e_wrongprofile_2", 95.0)])
def test_the_capacity_of_recorded_batteries_is_measured(name: str, true_ah: float) -> None:
    """On traces of two unlike families the actual capacity (their README) lies within the interval, which is no wider than 25 Ah."""
    t = trace(name)
    interval = capacity_interval(after(t.battery(), t.rows()))
    assert interval is not None
    _, low, high = interval
    assert low <= true_ah <= high
    assert high - low < 25


@pytest.mark.parametrize("seed", [1, 3, 14, 15, 23, 45])
def test_the_capacity_of_simulated_weeks_is_measured(seed: int) -> None:
    """A week of use on the project's own simulated batteries, worn to 65 to 103 % of what is declared: the truth is in the interval."""
    w = week(seed)
    interval = capacity_interval(after(w.battery, w.rows))
    assert interval is not None
    assert interval[1] <= 100 * w.health <= interval[2]


@pytest.mark.parametrize(
    ("name", "declared_ah", "says"), [("d_deep", 166.0, "much less"), ("e_wrongprofile_2", 60.0, "more"), ("d_deep", 100.0, None)]
)
def test_a_wrong_capacity_is_named_with_figures(name: str, declared_ah: float, says: str | None) -> None:
    """100 Ah declared as 60 or 166 are named within the recording's week, with what was measured; declared rightly, nothing is said."""
    t = trace(name)
    view = after(replace(t.battery(), rated_capacity_ah=declared_ah), t.rows())
    judged = next(r.judge for r in RULES if r.name == "declared_capacity")(view, False)
    if says is None:
        assert judged is None
        return
    assert isinstance(judged, Said)
    found = judged.words()
    assert says in found.title
    figures = dict(found.evidence)
    assert figures["low_ah"] < 101 < figures["high_ah"] + 8  # type: ignore[operator]


def after(battery: Battery, rows: list[Row]) -> View:
    """The view after a fold of these rows."""
    state = begin(battery)
    for row in rows:
        state, _ = step(state, reading(row))
    assert state.last_ms is not None
    return view_of(state, state.last_ms, ticked=False)


def test_evidence_and_sentences_say_nothing_that_is_not_known() -> None:
    """A young life has its cycles but no capacity, resistance or years: None, never zero."""
    view = seen(LIFE, days=3)
    known = dict(evidence_of(view))
    assert known["capacity_ah"] is None
    assert known["service_left_earliest_years"] is None
    assert known["resistance_against_new"] is None
    assert sentences_of(view.battery, evidence_of(view)) == ()
    assert evidence_of(seen(LIFE, memory=AgeingMemory())) == ()


@pytest.mark.parametrize(
    ("rule", "worn"),
    [
        ("ageing_capacity", LIFE._replace(capacity_ah=60.0, capacity_var=9.0, capacity_new_ah=90.0)),
        ("declared_capacity", LIFE._replace(capacity_ah=55.0, capacity_var=9.0)),
        ("ageing_cycles", LIFE._replace(damage=0.9)),
        ("ageing_recharge", LIFE._replace(new=Pace(8, 4.0, 40.0), now=Pace(8, 2.0, 20.0))),
        ("ageing_resistance", LIFE._replace(resistance_new_ohm=0.005, resistance_ohm=0.009)),
    ],
)
def test_each_rule_finds_its_sign_and_leaves_a_new_battery_alone(rule: str, worn: Life) -> None:
    """Every ageing rule speaks for the worn battery in whole sentences, and says nothing of a new one."""
    judge = next(r.judge for r in RULES if r.name == rule)
    assert judge(seen(LIFE), False) is None
    assert judge(seen(LIFE, memory=AgeingMemory()), False) is None
    judged = judge(seen(worn, days=200), False)
    assert isinstance(judged, Finding | Said)
    found = finding_of(judged)
    for sentence in (found.seen, found.meaning, found.advice, found.source):
        assert sentence
    assert len(found.title) <= 60


def test_a_cycle_life_that_is_not_used_up_after_all_is_told_after_a_day() -> None:
    """With another declared cycle life the count may fall below the limit again: the alert ends once that has stood for a day."""
    rules = tuple(r for r in RULES if r.name == "ageing_cycles")
    memory, said = AlertMemory(), []
    for days, damage_done in ((200.0, 0.9), (201.0, 0.0), (201.99, 0.0), (202.0, 0.0)):
        memory, events, _ = update(seen(LIFE._replace(damage=damage_done), days=days), memory, rules)
        said += [(days, event.kind) for event in events]
    assert said == [(200.0, "began"), (202.0, "ended")]


def test_a_tour_of_some_weeks_does_not_make_a_battery_old() -> None:
    """Charged twice as often as in its first weeks is weather or habit for two months, and only then a sign of age."""
    judge = next(r.judge for r in RULES if r.name == "ageing_recharge")
    oftener_now = LIFE._replace(new=Pace(8, 4.0, 40.0), now=Pace(8, 2.0, 20.0))
    assert judge(seen(oftener_now, days=45), False) is None
    assert judge(seen(oftener_now, days=61), False) is not None


def test_a_wide_interval_accuses_nobody() -> None:
    """A capacity that is low but uncertain is no finding."""
    judge = next(r.judge for r in RULES if r.name == "ageing_capacity")
    assert judge(seen(LIFE._replace(capacity_ah=70.0, capacity_var=400.0)), False) is None


def test_another_battery_begins_its_own_life() -> None:
    """A note that the battery was replaced forgets cycles and charge."""
    state = lived(2)
    state, _ = step(state, Note("life", BEGIN_MS + 3 * DAY_MS, "replaced"))
    assert state.ageing == AgeingMemory()


def test_a_leg_broken_by_silence_teaches_no_capacity() -> None:
    """Charge that nobody counted must not pass for lost capacity: after a silence the leg begins anew."""
    state = lived(2)
    life = state.ageing.life
    assert life is not None
    state = state._replace(ageing=state.ageing._replace(life=life._replace(leg=Leg(life.at_ms, 100.0, 0.0, 0.0, 1.0), far=None)))
    last = BEGIN_MS + 2 * DAY_MS + 6 * 3_600_000
    for n in range(3):
        state, _ = step(state, Reading("life", last + n * 600_000, 12.5, -1.0, 20.0))
    life = state.ageing.life
    assert life is not None
    assert life.leg is None or life.leg.at_ms > last - DAY_MS
