"""Loads, sun, sensor, faults, vehicle and story: the world around the battery."""

from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.battery import SimulatedBattery
from simulators.faults import WireFaults
from simulators.fleet import declared, messages, vehicle
from simulators.loads import LONG_TOUR, STORED, WEEKEND, Burst, Loads, ambient_c
from simulators.sensor import SimulatedSensor
from simulators.story import Story, rfc3339
from simulators.sun import Sun, clear_sky_w_per_m2, sine_of_elevation
from tests.outside import fact


def test_a_weekend_draws_what_a_budget_says() -> None:
    """A household's day is near the worked budget (BUD-DAY, 51.4 Ah): between a half and one and a half of it."""
    loads = Loads(WEEKEND, seed=3)
    day_ah = sum(loads.current_a(t, 20) for t in range(0, 86400, 10)) * 10 / 3600
    assert 0.5 < day_ah / fact("BUD-DAY").value < 1.5


def test_a_stored_vehicle_draws_its_standby_only() -> None:
    """30 mA are 0.72 Ah a day, at any hour."""
    loads = Loads(STORED)
    assert loads.mean_a(0, 86400) == pytest.approx(0.03)
    assert loads.current_a(19 * 3600.0) == pytest.approx(0.03)


def test_an_inverter_draws_its_power_from_twelve_volts() -> None:
    """1.5 kW on the inverter is near 142 A (INV-1500), a few minutes a day."""
    loads = Loads(LONG_TOUR, seed=2)
    amps = [loads.current_a(t, 20) for t in range(0, 86400, 10)]
    assert max(amps) == pytest.approx(fact("INV-1500").value, rel=0.1)
    assert sum(a > 100 for a in amps) * 10 < 300


def test_bursts_come_when_they_are_told() -> None:
    """A burst is there for its seconds and gone afterwards."""
    loads = Loads(STORED, bursts=(Burst(100, 30, 95),))
    assert [round(loads.current_a(t), 2) for t in (99, 100, 129, 130)] == [0.03, 95.03, 95.03, 0.03]


def test_it_is_warmest_in_the_afternoon() -> None:
    """Air temperature peaks at 15 h and is lowest at 3 h, without weather."""
    day = {h: ambient_c(h * 3600.0, 12, 6, 0, 0.0) for h in range(24)}
    assert max(day, key=lambda h: day[h]) == 15
    assert min(day, key=lambda h: day[h]) == 3


@pytest.mark.parametrize(("day_of_year", "hours"), [(172, 16.3), (355, 8.1), (80, 12.0)])
def test_the_day_has_its_length(day_of_year: int, hours: float) -> None:
    """At 50° north the day lasts 16.3 h at the summer and 8.1 h at the winter solstice, 12 h at the equinox (astronomical almanacs, from memory)."""
    up = sum(sine_of_elevation(t, day_of_year, 50.0) > 0 for t in range(0, 86400, 60)) / 60
    assert up == pytest.approx(hours, abs=0.35)


def test_the_sun_stands_as_high_as_geometry_says() -> None:
    """At noon of the summer solstice at 48° north the sun stands 90 - 48 + 23.45 = 65.45° high, and a clear sky gives near 950 W/m²."""
    sine = sine_of_elevation(43200, 172, 48)
    assert sine == pytest.approx(0.9096, abs=0.002)
    assert clear_sky_w_per_m2(sine) == pytest.approx(940, abs=40)


def test_a_panel_gives_more_in_summer_and_nothing_at_night() -> None:
    """100 W flat at 48° north: 300 to 650 Wh on an average day in June, a fifth of it or so in December (judgement, usual yield tables)."""
    june, december = ([Sun(100, 48, d, 0.4, seed).power_w(t + 0.0) for seed in range(10) for t in range(0, 86400, 600)] for d in (172, 355))
    wh = [sum(x) / 6 / 10 for x in (june, december)]
    assert 300 < wh[0] < 650
    assert 0.05 < wh[1] / wh[0] < 0.3
    assert Sun(100).power_w(1800) == 0


def test_clouds_are_seeded() -> None:
    """The same seed gives the same sky, another one another."""
    at = [t * 1800.0 + 36000 for t in range(10)]
    assert [Sun(100, seed=4).power_w(t) for t in at] == [Sun(100, seed=4).power_w(t) for t in reversed(at)][::-1]
    assert [Sun(100, seed=4).power_w(t) for t in at] != [Sun(100, seed=5).power_w(t) for t in at]


def test_a_sensor_adds_its_errors() -> None:
    """Offset, gain and steps turn the truth into what is shown; a perfect sensor shows the truth."""
    battery = SimulatedBattery("agm", 100, state_of_charge=0.8)
    battery.draw(600, -10, 20)
    plain = SimulatedSensor().read(battery, 600)
    assert plain is not None
    assert plain.voltage_v == battery.voltage_v
    assert plain.current_a == -10
    wrong = SimulatedSensor(current_offset_a=0.1, current_gain_pct=1, voltage_offset_v=0.02, current_resolution_a=0.5).read(battery, 600)
    assert wrong is not None
    assert wrong.current_a == -10.0
    assert wrong.voltage_v == pytest.approx(battery.voltage_v + 0.02)


def test_an_offset_counts_up_as_the_arithmetic_says() -> None:
    """10 µV on a 0.1 mΩ shunt are 100 mA, and its own counter is 72 Ah off after 30 days (DRIFT-10UV-30)."""
    battery, sensor = SimulatedBattery("agm"), SimulatedSensor(current_offset_a=0.1, counts_charge=True)
    for hour in range(1, 30 * 24 + 1):
        battery.draw(3600, 0, 20)
        sensor.read(battery, hour * 3600.0)
    assert sensor.charge_ah == pytest.approx(fact("DRIFT-10UV-30").value, rel=0.001)


def test_a_sensor_falls_silent_in_its_gaps_and_drops_its_share() -> None:
    """In a gap nothing is heard; outside it the drop rate decides."""
    battery, sensor = SimulatedBattery("agm"), SimulatedSensor(3, drop_rate=0.3, gaps=[(100, 200)])
    heard = [sensor.read(battery, float(t)) is not None for t in range(1000)]
    assert not any(heard[100:200])
    assert 0.6 < sum(heard) / 900 < 0.8


def test_a_voltage_only_sensor_shows_no_current() -> None:
    """What is not measured is None, never 0."""
    sample = SimulatedSensor(measures_current=False, measures_temperature=False).read(SimulatedBattery("agm"), 1)
    assert sample is not None
    assert (sample.current_a, sample.temperature_c, sample.charge_ah) == (None, None, None)


@settings(deadline=None)
@given(st.integers(0, 1000))
def test_sensors_of_one_seed_are_equal(seed: int) -> None:
    """The same seed gives the same readings."""
    battery = SimulatedBattery("agm")
    one, two = (SimulatedSensor.typical(seed) for _ in range(2))
    assert [one.read(battery, float(t)) for t in range(5)] == [two.read(battery, float(t)) for t in range(5)]


@settings(deadline=None)
@given(st.integers(0, 10_000), st.lists(st.binary(min_size=1, max_size=50), min_size=1, max_size=60))
def test_a_wire_without_faults_changes_nothing(seed: int, frames: list[bytes]) -> None:
    """All rates at zero: what goes in comes out."""
    wire = WireFaults(seed)
    assert [piece for frame in frames for piece in wire.through(frame)] == frames


def test_a_bad_wire_displaces_and_doubles_but_invents_no_readings() -> None:
    """With displaced and doubled frames the same frames come out, some twice, some in another order."""
    wire, frames = WireFaults(2, displaced=0.2, doubled=0.2), [f"{i}\n".encode() for i in range(500)]
    out = [piece for frame in frames for piece in wire.through(frame)]
    assert set(out) <= set(frames)
    assert len(set(out)) >= 499
    assert len(out) > 500
    assert out != sorted(out, key=lambda b: int(b))


def test_a_story_ends_now_and_is_never_in_the_future() -> None:
    """Fourteen days in 75 s: the first moment is 14 days before the end, the last is the wall's own time, then they run together."""
    story = Story(14, 75, 1_000_000.0)
    assert story.compression == pytest.approx(16128)
    assert story.to_s - story.from_s == 14 * 86400
    walls = [1_000_000.0 + x / 10 for x in range(1200)]
    told = [story.now_s(w) for w in walls]
    assert told == sorted(told)
    assert all(t <= w for t, w in zip(told, walls, strict=True))
    assert story.now_s(1_000_100.0) == 1_000_100.0


def test_times_are_written_as_rfc_3339() -> None:
    """851042397 s is 1996-12-20T00:39:57Z (RFC 3339 section 5.8)."""
    assert rfc3339(fact("RFC3339-EX").value) == "1996-12-20T00:39:57.000Z"


def test_the_fleet_is_seeded_and_mixed() -> None:
    """The same seed gives the same messages; both formats and all chemistries occur; nobody is stamped after the end."""
    first = list(messages(15, 6, 600, 1e9))
    assert first == list(messages(15, 6, 600, 1e9))
    assert first != list(messages(15, 6, 600, 1e9, seed=2))
    assert {payload[:1] for _, payload in first} == {b"{", b"["}
    assert len({declared(i)["chemistry"] for i in range(15)}) == 5
    assert len({name for name, _ in first}) == 15


def test_what_the_fleet_declares_fits_its_batteries() -> None:
    """Rated capacity is at least the actual one, and the cells are those of the chemistry."""
    for number in range(40):
        battery, told = vehicle(number).battery, declared(number)
        assert 0.7 <= battery.actual_capacity_ah / told["rated_capacity_ah"] <= 1.0
        assert told["cells"] == battery.cells


def test_offline_vehicles_send_their_spell_afterwards() -> None:
    """With everyone offline for a spell, still every sample arrives, each once."""
    online, offline = (list(messages(10, 20, 600, 1e9, offline=share)) for share in (0.0, 1.0))
    assert sorted(online) == sorted(offline)
    assert online != offline


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 50))
def test_a_vehicle_lived_twice_is_the_same(number: int) -> None:
    """Loads, weather, charger and sensor repeat with the seed."""
    one, two = vehicle(number), vehicle(number)
    hours = Random(number).randint(1, 5)
    assert one.advance(hours * 3600) == two.advance(hours * 3600)
    assert one.sample() == two.sample()
