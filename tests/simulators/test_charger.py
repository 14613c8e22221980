"""The simulated chargers do what their names say: a matrix of them is only worth something if they do."""

import pytest

from simulators.battery import KINDS, SimulatedBattery
from simulators.charger import CHARGERS, SET_POINTS, StagedCharger, profile
from tests.outside import fact


def lived(
    chemistry: str, name: str, hours: int = 30, start: float = 0.6, ambient_c: float = 25.0
) -> tuple[SimulatedBattery, list[float], list[str]]:
    battery, charger = SimulatedBattery(chemistry, 100, state_of_charge=start, temperature_c=ambient_c), CHARGERS[name](chemistry, 100.0)
    volts, stages = [], []
    for minute in range(hours * 60):
        charger.step(battery, minute * 60.0, 60.0, 0.3, ambient_c)
        volts.append(battery.voltage_v)
        stages.append(charger.stage)
    return battery, volts, stages


def test_there_are_enough_behaviours() -> None:
    """The table names at least fourteen behaviours, each in plain words."""
    assert len(CHARGERS) >= 14
    assert all(name == name.lower() for name in CHARGERS)


@pytest.mark.parametrize("name", CHARGERS)
@pytest.mark.parametrize("chemistry", KINDS)
def test_every_charger_works_on_every_chemistry(chemistry: str, name: str) -> None:
    """A day on any charger leaves a battery with believable numbers."""
    battery, volts, stages = lived(chemistry, name, 24)
    assert min(volts) > 10
    assert max(volts) < 17
    assert 0.4 < battery.state_of_charge < 1.05
    assert set(stages) <= {"off", "bulk", "absorption", "float", "equalisation", "pulse"}


@pytest.mark.parametrize("chemistry", ["flooded", "efb", "agm", "gel"])
def test_a_sound_charger_stays_inside_the_published_windows(chemistry: str) -> None:
    """Bulk, absorption and float come in this order, at voltages inside the trade's windows, and the battery ends full."""
    battery, volts, stages = lived(chemistry, "mains right")
    known = {"efb": "EFB", "agm": "AGM"}.get(chemistry, chemistry)
    absorption, floating = fact(f"CHG-ABS-{known}"), fact(f"CHG-FLT-{known}")
    order = list(dict.fromkeys(stages))
    assert order == ["bulk", "absorption", "float"]
    top_v, last_v = max(volts), volts[-1]
    assert absorption.low is not None
    assert absorption.high is not None
    assert floating.low is not None
    assert floating.high is not None
    assert absorption.low <= top_v <= absorption.high + 0.1
    assert floating.low - 0.05 <= last_v <= floating.high + 0.05
    assert battery.state_of_charge > 0.97


def test_compensation_follows_the_battery() -> None:
    """A compensated charger holds 3 to 5 mV less for each kelvin and cell above 25 °C (CHG-TC-40), one without does not."""
    tops = {name: max(lived("agm", name, 8, ambient_c=40.0)[1]) for name in ("mains right", "mains without compensation")}
    hot = fact("CHG-TC-40")
    assert hot.low is not None
    assert hot.high is not None
    assert hot.low - 0.15 <= tops["mains right"] <= hot.high
    assert tops["mains without compensation"] == pytest.approx(SET_POINTS["agm"][0], abs=0.06)


def test_stuck_in_absorption_never_leaves_it() -> None:
    """After two days it still holds the absorption voltage."""
    _, volts, stages = lived("agm", "stuck in absorption", 48)
    assert stages[-1] == "absorption"
    assert volts[-1] == pytest.approx(14.4, abs=0.1)


def test_no_float_switches_off_and_stays_off() -> None:
    """It ends after absorption and lets the load draw the battery down again."""
    battery, volts, stages = lived("agm", "no float", 96)
    assert stages[-1] == "off"
    assert "float" not in stages
    assert volts[-1] < 12.9
    assert battery.state_of_charge < 0.95


def test_never_full_never_reaches_absorption() -> None:
    """13.5 V for ever is neither absorption nor a full charge within a day."""
    battery, volts, _ = lived("flooded", "never full", 10)
    assert max(volts) <= 13.52
    assert battery.state_of_charge < 0.99


def test_equalisation_comes_after_absorption_and_ends() -> None:
    """It stands at 15 to 16 V (CHG-EQ-flooded) for its hours, then floats."""
    _, volts, stages = lived("flooded", "mains with equalisation", 30)
    held = [v for v, stage in zip(volts, stages, strict=True) if stage == "equalisation"]
    window = fact("CHG-EQ-flooded")
    assert window.low is not None
    assert window.high is not None
    assert len(held) == pytest.approx(180, abs=6)
    assert window.low <= max(held) <= window.high
    assert stages[-1] == "float"


def test_pulses_are_seen_at_the_terminals() -> None:
    """A desulfator lifts a nearly full battery above 15 V in its pulses and lets it rest between them."""
    _, volts, stages = lived("agm", "desulfation", 24, start=0.97)
    assert {"pulse", "off"} <= set(stages)
    assert max(volts) > 15.0
    assert min(volts[-60:]) < 14.6


def test_the_engines_chargers_work_only_while_it_runs() -> None:
    """Alternator and DC-DC charge during the drives and are off at night; a smart alternator's voltage moves, a plain one's does not."""
    spread = {}
    for name in ("alternator", "smart alternator", "dc-dc"):
        _, volts, stages = lived("agm", name, 24)
        assert stages[2 * 60] == stages[22 * 60] == "off"
        assert stages[10 * 60] != "off"
        late = volts[11 * 60 : 12 * 60 - 1]
        spread[name] = max(late) - min(late)
    assert spread["smart alternator"] > 0.1 > spread["alternator"]


def test_the_load_is_carried_by_the_charger() -> None:
    """A charger with 10 A and a load of 4 A gives the battery 6; with a load of 15 A the battery gives 5."""
    charger = StagedCharger(profile("agm", 100)._replace(current_a=10))
    battery = SimulatedBattery("agm", 100, state_of_charge=0.5)
    assert charger.step(battery, 0, 60, 4.0, 20) == pytest.approx(6)
    assert charger.step(battery, 60, 60, 15.0, 20) == pytest.approx(-5)
