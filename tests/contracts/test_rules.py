"""What every rule promises: silence on a healthy battery, plain words that fit a phone, a named source, a sentence for the end."""

import re
from collections.abc import Iterator

import pytest

from analytics.battery import Battery
from analytics.chemistries import CHEMISTRIES
from analytics.core import begin, step, view_of
from analytics.reading import Note, Reading, on_the_grid
from analytics.rules import HOLD, RULES, Rule, Said
from simulators.battery import SimulatedBattery
from simulators.charger import StagedCharger, profile
from simulators.sensor import SimulatedSensor
from tests.analytics.lives import DAY_MS, HOUR_MS, START_MS, agm, folded, held, resting, silent
from tests.analytics.test_use import trip

SCREEN = 1000
"""Characters that a phone shows without scrolling much. Judgement."""


def healthy(chemistry: str, *, measured: bool) -> tuple[Battery, Iterator[Reading]]:
    """Twelve days on a maintainer with a realistic sensor that speaks every half hour."""
    truth = SimulatedBattery(chemistry, 100.0, state_of_charge=0.97 if chemistry != "lifepo4" else 0.9, temperature_c=12)
    sensor = SimulatedSensor.typical(5, measures_current=measured)
    charger = StagedCharger(profile(chemistry, 100.0))
    battery = Battery("heron", chemistry, 100.0, cells=truth.cells, initial_state_of_charge_pct=95.0)

    def life() -> Iterator[Reading]:
        for i in range(1, 12 * 48):
            mean_a = charger.step(truth, i * 1800.0, 1800.0, 0.03, 12.0)
            sample = sensor.read(truth, i * 1800.0, mean_a)
            if sample is not None:
                yield on_the_grid(Reading("heron", START_MS + i * 1_800_000, sample.voltage_v, sample.current_a, sample.temperature_c))

    return battery, life()


@pytest.mark.parametrize("measured", [True, False])
@pytest.mark.parametrize("chemistry", sorted(CHEMISTRIES))
def test_rules_of_the_battery_are_silent_on_a_healthy_one(chemistry: str, measured: bool) -> None:
    """A battery that a maintainer holds raises nothing above low priority, and nothing about its charge running out."""
    battery, life = healthy(chemistry, measured=measured)
    _, events = folded(battery, life)
    assert not [(e.rule, e.reason) for e in events if e.rule in OURS]


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.name)
def test_a_rule_says_nothing_of_a_battery_not_heard_from(rule: Rule) -> None:
    """Before the first reading nothing is known, so nothing is found, standing or not; and the end has its sentence."""
    view = view_of(begin(agm()), START_MS, ticked=True)
    assert rule.judge(view, False) in (None, HOLD)
    said = rule.over(view)
    assert said.endswith(".")
    assert len(said) <= 200


def test_rules_have_names_of_their_own() -> None:
    """A name is what alerts are stored under: lower case, no two alike, delays not negative."""
    names = [r.name for r in RULES]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[a-z_]+", n) for n in names)
    assert all(r.on_delay_s >= 0 and r.off_delay_s >= 0 for r in RULES)


def _triggers() -> dict[str, list]:  # type: ignore[type-arg]
    """For each rule of this part a life that makes it speak once."""
    battery = agm()
    falling = list(resting(battery, 31, 75, 1.0))
    low = agm(initial_state_of_charge_pct=56.0)
    left_on = agm(initial_state_of_charge_pct=95.0)
    came_back = agm(initial_state_of_charge_pct=62.0)
    return {
        "low_voltage": [battery, falling],
        "forecast_low": [battery, falling],
        "deep_discharge": [agm(initial_state_of_charge_pct=40.0), resting(battery, 12, 40, 2.0)],
        "silence": [battery, resting(battery, 3, 90), silent(battery, 30, START_MS + 3 * DAY_MS)],
        "freezing": [agm(initial_state_of_charge_pct=20.0), resting(battery, 4, 20, temperature_c=-13.0)],
        "standing_load": [left_on, resting(left_on, 3, 95, 8.4, current_a=-0.35)],
        "returned_low": [came_back, trip(came_back, 5, START_MS), resting(came_back, 3, 60, from_ms=START_MS + 5 * HOUR_MS, current_a=-0.1)],
        "maintainer": [battery, held(battery, 24 * 10, 13.6, START_MS, 0.05, every_ms=1_800_000), resting(battery, 3, 98, from_ms=START_MS + 10 * DAY_MS)],
        "refresh_due": [battery, resting(battery, 95, 95, 0.1, every_ms=2 * HOUR_MS)],
        "check_due": [battery, resting(battery, 2, 95), silent(battery, 40 * 24, START_MS + 2 * DAY_MS)],
        "sulfation": [low, resting(low, 30, 56, 0.02)],
        "unexplained_rise": [battery, resting(battery, 8, 60), resting(battery, 3, 95, from_ms=START_MS + 8 * DAY_MS)],
    }  # fmt: skip


OURS = frozenset(_triggers())


@pytest.mark.parametrize("name", sorted(OURS))
def test_a_rule_speaks_once_in_words_that_fit_a_phone(name: str) -> None:
    """It begins once, says what was seen, what it means, what to do and where it comes from; and ends aloud when the battery is replaced."""
    battery, *lives = _triggers()[name]
    state, events = folded(battery, *lives)
    told = [e for e in events if e.rule == name and e.kind == "began"]
    assert len(told) == 1, [(e.rule, e.kind) for e in events]
    finding = told[0].finding
    assert finding.rule == name
    assert 0 < len(finding.title) <= 60
    spoken = " ".join((finding.title, finding.seen, finding.meaning, finding.advice, finding.caution))
    assert len(spoken) <= SCREEN
    assert all(part.endswith((".", "?")) for part in (finding.seen, finding.meaning, finding.advice))
    assert not re.search(r"[<>*_`{}|\n]|None|nan", spoken)
    assert finding.source
    assert finding.evidence
    assert all(re.fullmatch(r"[a-z0-9_]+", key) for key, _ in finding.evidence)
    last_ms = state.last_ms or 0
    _, after = folded(battery, [Note("heron", last_ms + 60 * DAY_MS, "replaced", None, "Ada")], state=state)
    still = {e.rule for e in events if e.kind == "began"} and name not in {e.rule for e in events if e.kind == "ended"}
    assert not still or [e.kind for e in after if e.rule == name] == ["ended"]


@pytest.mark.parametrize("name", ["low_voltage", "deep_discharge", "forecast_low", "freezing", "refresh_due"])
def test_advice_to_charge_carries_the_cautions_of_the_chemistry(name: str) -> None:
    """Whoever is sent to charge a battery is told about hydrogen and short circuits, word for word."""
    from analytics.cautions import CAUTIONS

    battery, *lives = _triggers()[name]
    _, events = folded(battery, *lives)
    finding = next(e.finding for e in events if e.rule == name and e.kind == "began")
    for key in battery.kind.cautions:
        assert CAUTIONS[key] in finding.caution


def test_what_a_rule_keeps_unspoken_is_what_it_says() -> None:
    """Rule and priority of a standing condition, told without its words, are those of the finding that the words make."""
    state, unspoken = begin(agm()), set()
    for hour in range(100 * 24):
        at_ms = START_MS + hour * HOUR_MS
        state, _ = step(state, on_the_grid(Reading("heron", at_ms, 12.75 - hour / 2400, -0.15, 15.0)))
        view = view_of(state, at_ms, ticked=False)
        for rule in RULES if hour % 48 == 0 else ():
            judged = rule.judge(view, True)
            if isinstance(judged, Said):
                said = judged.words()
                assert (said.rule, said.priority) == (judged.rule, judged.priority)
                unspoken.add(said.rule)
    assert {"low_voltage", "forecast_low", "refresh_due", "standing_load"} <= unspoken
