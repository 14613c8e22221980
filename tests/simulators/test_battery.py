"""The simulated battery against facts from outside: if it is no battery, nothing judged on it means anything."""

from copy import copy
from math import log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.battery import KINDS, SimulatedBattery
from tests.outside import fact, facts

LEAD_ACID = ("flooded", "efb", "agm", "gel")
END_V = {"flooded": 10.5, "efb": 10.5, "agm": 10.5, "gel": 10.5, "lifepo4": 10.0}
OUTSIDE_NAME = {"flooded": "flooded", "efb": "EFB", "agm": "AGM", "gel": "gel", "lifepo4": "LiFePO4"}


def discharged_ah(chemistry: str, hours: float, ambient_c: float = 20.0) -> float:
    battery = SimulatedBattery(chemistry, 100, state_of_charge=1.0, temperature_c=ambient_c)
    amps, seconds = 100 / hours, 0.0
    while battery.voltage_v > END_V[chemistry] and seconds < 400 * 3600:
        battery.draw(60, -amps, ambient_c)
        seconds += 60
    return amps * seconds / 3600


@pytest.mark.parametrize("chemistry", KINDS)
def test_rated_current_lasts_the_rated_hours(chemistry: str) -> None:
    """A full new battery gives its rated capacity at the 20 h rate (PK-AH-1.2-5: whatever the exponent, 100 Ah at 5 A)."""
    assert discharged_ah(chemistry, 20) == pytest.approx(fact("PK-AH-1.2-5").value, rel=0.02)


@pytest.mark.parametrize("chemistry", KINDS)
def test_a_fast_discharge_gives_less_within_the_trades_exponents(chemistry: str) -> None:
    """The exponent from the 20 h and the 5 h rate lies inside the trade's range (PK-N rows; for EFB that of flooded)."""
    hours = discharged_ah(chemistry, 5) / 20
    exponent = log(20 / hours) / log(4)
    known = fact("PK-N-" + {"efb": "flooded"}.get(chemistry, OUTSIDE_NAME[chemistry]))
    assert known.low is not None
    assert known.high is not None
    assert known.low - 0.02 <= exponent <= known.high + 0.02


@pytest.mark.parametrize("chemistry", LEAD_ACID)
def test_cold_takes_capacity_away(chemistry: str) -> None:
    """At 0 °C the 20 h capacity falls by about 0.6 % a kelvin (IEC-LAMBDA-SLOW), so to 82 … 92 % of that at 20 °C."""
    ratio = discharged_ah(chemistry, 20, 0.0) / discharged_ah(chemistry, 20)
    assert ratio == pytest.approx(1 - 20 * fact("IEC-LAMBDA-SLOW").value, abs=0.05)


@pytest.mark.parametrize(
    ("chemistry", "prefix", "tolerance_v"), [("flooded", "OCV-FL-B-", 0.12), ("agm", "OCV-AGM-", 0.15), ("gel", "OCV-GEL-", 0.15)]
)
def test_rest_voltage_is_near_the_published_tables(chemistry: str, prefix: str, tolerance_v: float) -> None:
    """Its own curve stands within what published tables disagree by: real batteries are 20 to 150 mV off any table."""
    for row in facts(prefix):
        fraction = float(row.id.removeprefix(prefix)) / 100
        battery = SimulatedBattery(chemistry, state_of_charge=fraction, temperature_c=25)
        assert battery.rest_voltage_v == pytest.approx(row.value, abs=tolerance_v)


@pytest.mark.parametrize("percent", [10, 20, 50, 80, 90])
def test_lithium_plateau_is_near_the_published_curve(percent: int) -> None:
    """LiFePO4 stands within 0.1 V of the C/32 curve of Sunil et al. 2025 for four cells (LFP-OCV4S rows)."""
    row = fact(f"LFP-OCV4S-{percent}")
    battery = SimulatedBattery("lifepo4", state_of_charge=percent / 100, temperature_c=25)
    assert row.low is not None
    assert row.high is not None
    assert row.low <= battery.rest_voltage_v <= row.high


def test_lithium_hysteresis_does_not_decay() -> None:
    """The gap between the branches after charge and after discharge stays after two days of rest (LFP-HYST: 5 to 25 mV a cell)."""
    after_charge, after_discharge = (SimulatedBattery("lifepo4", state_of_charge=s) for s in (0.4, 0.6))
    for _ in range(60):
        after_charge.draw(60, 10, 20)
        after_discharge.draw(60, -10, 20)
    for battery in (after_charge, after_discharge):
        battery.draw(2 * 86400, 0, 20)
    same = after_discharge.state_of_charge - after_charge.state_of_charge
    gap = (after_charge.voltage_v - after_discharge.voltage_v) / 4
    assert abs(same) < 0.01
    assert 0.005 <= gap <= 0.025


@pytest.mark.parametrize("chemistry", KINDS)
def test_self_discharge_of_a_month_is_in_the_trades_range(chemistry: str) -> None:
    """Thirty days at 20 °C cost what SD-MODERN says; ten kelvins more double it (SD-Q10: 1.8 to 2.5)."""
    row = fact(f"SD-MODERN-{OUTSIDE_NAME[chemistry]}")
    losses = []
    for celsius in (20.0, 30.0):
        battery = SimulatedBattery(chemistry, state_of_charge=0.9, temperature_c=celsius)
        battery.draw(30 * 86400, 0, celsius)
        losses.append((0.9 - battery.state_of_charge) * 100)
    assert row.low is not None
    assert row.high is not None
    assert row.low <= losses[0] <= row.high
    doubling = fact("SD-Q10")
    assert doubling.low is not None
    assert doubling.high is not None
    assert doubling.low <= losses[1] / losses[0] <= doubling.high


@pytest.mark.parametrize("chemistry", LEAD_ACID)
def test_float_current_has_the_published_order(chemistry: str) -> None:
    """On float at 20 °C some tenths of a milliampere to a few flow for each ampere-hour (FLT-I-NORMAL, 1 mA/Ah; up to four times is sick)."""
    battery = SimulatedBattery(chemistry, 100, state_of_charge=0.99)
    for _ in range(7 * 24):
        battery.charge(3600, 20, 13.6, 0, 20)
    per_ah_ma = battery.current_a / 100 * 1000
    assert 0.1 <= per_ah_ma <= 4 * fact("FLT-I-NORMAL").value


@pytest.mark.parametrize("chemistry", LEAD_ACID)
def test_charging_needs_more_than_was_taken(chemistry: str) -> None:
    """From half empty to the tail current a little more goes in than is kept: charge factor up to CHG-FACTOR, never below 1."""
    battery, put_in_ah = SimulatedBattery(chemistry, 100, state_of_charge=0.5), 0.0
    limit_v = {"flooded": 14.6, "efb": 14.6, "agm": 14.4, "gel": 14.1}[chemistry]
    for minute in range(20 * 60):
        put_in_ah += battery.charge(60, 20, limit_v, 0, 20) / 60
        if minute > 60 and battery.state_of_charge > 0.99:
            break
    row = fact("CHG-FACTOR-FL" if chemistry in ("flooded", "efb") else "CHG-FACTOR-VRLA")
    assert row.high is not None
    assert 1.0 < put_in_ah / ((battery.state_of_charge - 0.5) * 100) <= row.high + 0.02


@pytest.mark.parametrize("chemistry", LEAD_ACID)
def test_acceptance_falls_towards_full(chemistry: str) -> None:
    """Held at the absorption voltage, the current falls to 0.5 … 2 % of the capacity (CHG-TAIL) within ten hours."""
    battery, amps = SimulatedBattery(chemistry, 100, state_of_charge=0.5), []
    for _ in range(10):
        battery.charge(3600, 20, 14.4, 0, 20)
        amps.append(battery.current_a)
    falling = amps[2:]
    assert falling == sorted(falling, reverse=True)
    tail = fact("CHG-TAIL")
    assert tail.high is not None
    assert amps[-1] <= tail.high * 100


def test_gassing_follows_voltage_and_temperature() -> None:
    """The voltage of equal gassing falls 3 to 6 mV a kelvin and cell, as between GAS-V-40 and GAS-V-20 (4.25 mV/K, from memory)."""
    published = (fact("GAS-V-20").value - fact("GAS-V-40").value) / 20
    currents = {}
    for celsius in (20.0, 40.0):
        battery = SimulatedBattery("flooded", state_of_charge=1.0, temperature_c=celsius)
        for _ in range(6):
            battery.charge(600, 20, 6 * 2.5, 0, celsius)
        currents[celsius] = battery.gassing_a
    shift = log(currents[40.0] / currents[20.0]) / 11 / 20
    assert currents[20.0] > 0.5
    assert shift == pytest.approx(published, abs=0.002)


def test_rested_voltage_falls_like_the_published_trace() -> None:
    """After a charge it falls fast, then for a day (RELAX-SLA): steeper between 1 h and 5 h than between 5 h and 24 h, by ten times or so."""
    battery = SimulatedBattery("agm", 35, state_of_charge=0.95)
    for _ in range(12):
        battery.charge(3600, 1.0, 15.0, 0, 20)
    volts = {0.0: battery.voltage_v}
    for hour in range(1, 25):
        battery.draw(3600, 0, 20)
        volts[float(hour)] = battery.voltage_v
    early, late = (volts[5.0] - volts[1.0]) / 4, (volts[24.0] - volts[5.0]) / 19
    assert early < 3 * late < 0
    assert volts[1.0] == pytest.approx(fact("RELAX-SLA-1H").value, abs=0.6)
    assert volts[24.0] == pytest.approx(fact("RELAX-SLA-24H").value, abs=0.25)


def test_a_burst_sags_by_the_resistance_and_recovers() -> None:
    """142 A through a few milliohms sag by about 0.7 V (SAG-142: at 5 mΩ) and the rest voltage comes back within minutes."""
    battery = SimulatedBattery("agm", 100, state_of_charge=0.9)
    before_v = battery.voltage_v
    battery.draw(30, -142, 20)
    sag_v = before_v - battery.voltage_v
    assert sag_v == pytest.approx(fact("SAG-142").value, abs=0.4)
    battery.draw(1800, 0, 20)
    assert before_v - battery.voltage_v < 0.05


@pytest.mark.parametrize("row_id", ["FRZ-B-1225", "FRZ-B-1190", "FRZ-B-1155"])
def test_it_freezes_where_the_tables_say(row_id: str) -> None:
    """Two kelvins above the published freezing point it is liquid, four below it is frozen (TM 5-4210-230)."""
    fraction = {"FRZ-B-1225": 0.75, "FRZ-B-1190": 0.5, "FRZ-B-1155": 0.25}[row_id]
    for offset, frozen in ((2.0, False), (-4.0, True)):
        battery = SimulatedBattery("flooded", state_of_charge=fraction, temperature_c=fact(row_id).value + offset)
        assert battery.frozen is frozen


def test_too_much_gassing_runs_away() -> None:
    """A dried-out AGM on 14.4 V without compensation in a hot place heats itself more than 10 K above the air (TR-TEMP-RISE)."""
    healthy, dry = (SimulatedBattery("agm", state_of_charge=0.98, temperature_c=35, gassing_factor=f) for f in (1, 10))
    for _ in range(48):
        healthy.charge(3600, 20, 14.4, 0, 35)
        dry.charge(3600, 20, 14.4, 0, 35)
    assert healthy.temperature_c - 35 < fact("TR-TEMP-RISE").value < dry.temperature_c - 35
    assert dry.current_a > 4 * healthy.current_a


@pytest.mark.parametrize("chemistry", KINDS)
@pytest.mark.parametrize("step_s", [1, 10, 600, 3600])
def test_the_length_of_a_step_hardly_matters(chemistry: str, step_s: int) -> None:
    """Two hours of load, four of charge and two of rest give the same battery in steps of a second and of an hour."""

    def lived(step: int) -> SimulatedBattery:
        battery = SimulatedBattery(chemistry, state_of_charge=0.8)
        for _ in range(2 * 3600 // step):
            battery.draw(step, -8, 15)
        for _ in range(4 * 3600 // step):
            battery.charge(step, 15, 14.3, 1, 15)
        for _ in range(2 * 3600 // step):
            battery.draw(step, 0, 15)
        return battery

    short, long = lived(60), lived(step_s)
    assert long.state_of_charge == pytest.approx(short.state_of_charge, abs=0.004)
    assert long.voltage_v == pytest.approx(short.voltage_v, abs=0.05)
    assert long.temperature_c == pytest.approx(short.temperature_c, abs=0.6)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(tuple(KINDS)),
    st.floats(0.05, 1.0),
    st.floats(-25, 45),
    st.lists(st.tuples(st.sampled_from([1, 60, 600, 3600, 86400]), st.floats(-150, 60), st.floats(12, 17)), min_size=1, max_size=8),
)
def test_any_treatment_gives_finite_and_bounded_numbers(
    chemistry: str, fraction: float, celsius: float, acts: list[tuple[int, float, float]]
) -> None:
    """Whatever is done to it, voltage, charge and temperature stay finite and within what a battery can show; the charge balance closes."""
    battery = SimulatedBattery(chemistry, 100, state_of_charge=fraction, temperature_c=celsius)
    for seconds, amps, limit_v in acts:
        if amps <= 0:
            flowed_a = battery.draw(seconds, amps, celsius)
            assert amps - 1e-6 <= flowed_a <= 1e-6
        else:
            alone = copy(battery)
            alone.draw(min(seconds, 60), -2.0, celsius)
            net_a = battery.charge(seconds, amps, limit_v, 2.0, celsius)
            assert -2.0 - 1e-6 <= net_a <= max(0.0, amps - 2.0) + 1e-6
            if seconds <= 60:  # in longer steps, and at the knee of a frozen battery, it is a step behind
                assert battery.voltage_v <= max(limit_v, alone.voltage_v) + 0.2
        assert 0 < battery.voltage_v < 26
        assert -0.6 < battery.state_of_charge <= 1.04
        assert -40 < battery.temperature_c < 250


@pytest.mark.parametrize("chemistry", KINDS)
def test_the_same_seed_gives_the_same_battery(chemistry: str) -> None:
    """Seeds make specimens: equal ones for equal seeds, different ones for different seeds."""

    def voltage(seed: int) -> float:
        battery = SimulatedBattery(chemistry, seed=seed)
        battery.draw(3600, -10, 20)
        return battery.voltage_v

    assert voltage(5) == voltage(5)
    assert len({voltage(seed) for seed in range(1, 6)}) == 5
