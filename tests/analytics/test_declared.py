"""Owners who declare the wrong battery, or change it without a word: named with figures, and nothing said of those who did not.

Batteries and sensors are simulated (simulators/battery.py, simulators/sensor.py) or recorded (tests/truth/README.md).
"""

import pytest

from analytics import core
from analytics.assessment import Finding
from analytics.battery import Battery, Sensor
from analytics.reading import Note, Reading
from simulators.battery import SimulatedBattery
from simulators.sensor import SimulatedSensor
from tests.score.scoring import reading
from tests.score.traces import trace

BEGIN_MS = 1_767_225_600_000
DAY_MS = 86_400_000
OURS = ("another_battery", "declared_capacity", "unexplained_rise")


def declared(start_pct: float) -> Battery:
    return Battery("x", "agm", 100.0, initial_state_of_charge_pct=start_pct, sensor=Sensor(1.0, 0.05, 0.01))


def swapped(before: float, after: float, silent_h: float, seed: int, chemistry: str = "agm") -> list[Reading]:
    """A stored vehicle, read every half hour, whose battery is changed after three days; the sensor is off for `silent_h` meanwhile."""
    old = SimulatedBattery("agm", 100.0, state_of_charge=before, temperature_c=10, seed=seed)
    new = SimulatedBattery(chemistry, 100.0, state_of_charge=after, temperature_c=10, seed=seed + 50)
    sensor, found = SimulatedSensor.typical(seed), []
    for k in range(5 * 48):
        at_s, real = 1800.0 * (k + 1), old if k < 3 * 48 else new
        sample = sensor.read(real, at_s, real.draw(1800.0, -0.04, 10.0))
        silent = 3 * 86400 < at_s < 3 * 86400 + silent_h * 3600
        if sample is not None and not silent:
            found.append(Reading("x", BEGIN_MS + int(1000 * at_s), sample.voltage_v, sample.current_a, sample.temperature_c))
    return found


def told(battery: Battery, readings: list[Reading]) -> tuple[dict[str, tuple[float, Finding]], core.State]:
    """(day, finding) of the first of each rule, and the state."""
    state, found = core.begin(battery), {}
    for one in readings:
        state, _ = core.step(state, one)
        for finding in state.details.findings:
            found.setdefault(finding.rule, ((one.at_ms - readings[0].at_ms) / DAY_MS, finding))
    return found, state


@pytest.mark.parametrize(("before", "after"), [(0.9, 0.6), (0.55, 0.95)])
@pytest.mark.parametrize("silent_h", [0.0, 0.7, 5.0])
def test_a_battery_changed_without_a_word_is_asked_about(before: float, after: float, silent_h: float) -> None:
    """A fuller or an emptier battery in the same place, with the sensor off for a while or not, is named within a day with both states."""
    found, _ = told(declared(100 * before), swapped(before, after, silent_h, 1))
    day, finding = found["another_battery"]
    assert 2.9 < day < 4
    figures = dict(finding.evidence)
    assert figures["before_pct"] == pytest.approx(100 * before, abs=12)
    assert figures["after_pct"] == pytest.approx(100 * after, abs=12)
    assert "unexplained_rise" not in found


def test_a_like_battery_in_its_place_cannot_be_told() -> None:
    """Another battery of the same kind and charge looks the same: nothing is claimed."""
    found, _ = told(declared(80.0), swapped(0.80, 0.78, 0.7, 1))
    assert not set(found) & set(OURS)


def test_a_noted_replacement_is_no_question() -> None:
    """Where the owner notes the change, nobody asks."""
    readings = swapped(0.9, 0.6, 0.7, 2)
    state = core.begin(declared(90.0))
    for one in readings:
        if one.at_ms > BEGIN_MS + 3 * DAY_MS and state.use.replaced_ms is None:
            state, _ = core.step(state, Note("x", one.at_ms - 1000, "replaced"))
        state, _ = core.step(state, one)
        assert "another_battery" not in {f.rule for f in state.details.findings}


def test_what_was_measured_of_the_old_battery_is_not_the_new_ones() -> None:
    """With the step confirmed, capacity and resistance are measured anew."""
    _, state = told(declared(90.0), swapped(0.9, 0.6, 0.0, 3))
    life = state.ageing.life
    assert life is not None
    assert life.swap is not None
    assert life.begun_ms > BEGIN_MS + 2.9 * DAY_MS
    assert life.capacity_ah is None


@pytest.mark.parametrize("name", ["a_weekend_2", "b_solar10", "c_storage", "f_partial_2", "i_lfp_cycling"])
def test_a_rightly_declared_battery_is_left_alone(name: str) -> None:
    """On recordings whose owners declared what is there, no rule on wrong declarations or changed batteries speaks."""
    t = trace(name)
    found, _ = told(t.battery(), [reading(row) for row in t.rows()])
    assert not set(found) & set(OURS)
