"""The vehicles of the backtest: stored ones through a winter, used ones through a summer. Same number and seed, same vehicle.

Declared is what an owner would know: often no table, often one that is 50 mV off, often no starting charge.
"""

from collections.abc import Callable, Iterator
from random import Random
from typing import NamedTuple

from analytics.battery import Battery, Sensor
from analytics.reading import Reading, on_the_grid
from simulators.battery import SimulatedBattery
from simulators.charger import Charger, SolarController, StagedCharger, profile
from simulators.loads import LONG_TOUR, STORED, WEEKEND, Loads, ambient_c
from simulators.sensor import SimulatedSensor
from simulators.sun import Sun

START_MS = 1_793_491_200_000
"""1 November 2026, 00:00 UTC."""
SUMMER_MS = 1_780_272_000_000
"""1 June 2026, 00:00 UTC."""
DAY_S = 86_400.0
CHEMISTRIES = ("flooded",) * 6 + ("agm",) * 7 + ("efb",) * 2 + ("gel",) * 3 + ("lifepo4",) * 2
ABSORPTION = {"flooded": 14.4, "efb": 14.4, "agm": 14.4, "gel": 14.1, "lifepo4": 14.2}


class Told(NamedTuple):
    """One step of a vehicle's life: the reading that arrived (or none) and the truth, percent."""

    at_ms: int
    reading: Reading | None
    true_pct: float


class Vehicle(NamedTuple):
    """What the owner declares, what it is for, and its life."""

    battery: Battery
    kind: str
    """drained | solar | maintained | used"""
    measures_current: bool
    has_table: bool
    life: Iterator[Told]


def stored(number: int, seed: int = 1, days: int = 120) -> Vehicle:
    """A stored vehicle of this number; the fleet comes into storage over six weeks."""
    luck = Random(seed * 1_000_003 + number)
    chemistry = luck.choice(CHEMISTRIES)
    ah = luck.choice((80.0, 95.0, 100.0, 110.0, 140.0))
    fate = luck.random()
    kind = "maintained" if fate < 0.2 else "solar" if fate < 0.4 else "drained"
    start = luck.uniform(0.62, 1.0) if chemistry != "lifepo4" else luck.uniform(0.35, 0.95)
    truth = SimulatedBattery(
        chemistry, ah, state_of_charge=start, temperature_c=8, health=luck.uniform(0.8, 1.0), table_offset_v=luck.gauss(0, 0.03),
        self_discharge_factor=luck.uniform(0.7, 2.0), seed=seed * 1009 + number + 1,
    )  # fmt: skip
    measures_current, measures_temperature = luck.random() < 0.6, luck.random() < 0.85
    sensor = SimulatedSensor.typical(number + seed, measures_current=measures_current, measures_temperature=measures_temperature)
    sensor.gaps = tuple(_gap(luck, days) for _ in range(luck.choice((0, 0, 1, 2))))
    table = _table(truth, luck) if luck.random() < 0.5 else None
    charger: Charger | None = None
    if kind == "maintained":
        charger = StagedCharger(profile(chemistry, ah))
    elif kind == "solar":
        sun = Sun(luck.uniform(5, 40), luck.uniform(44, 55), 305, luck.uniform(0.3, 0.8), number)
        charger = SolarController(sun, ABSORPTION[chemistry], 13.5)
    battery = Battery(
        f"v{number:04d}", chemistry, ah, cells=truth.cells, rest_voltage_table=table,
        initial_state_of_charge_pct=min(100.0, max(0.0, 100 * start + luck.uniform(-3, 3))) if luck.random() < 0.4 else None,
        sensor=Sensor(1.0, 0.05, 0.01, measures_current),
    )  # fmt: skip
    loads = Loads(STORED._replace(standby_a=luck.uniform(0.005, 0.08)), number)
    climate = (luck.uniform(-2, 8), luck.uniform(2, 6), luck.uniform(3, 7))
    every_s = luck.choice((1800.0, 3600.0, 3600.0, 3600.0, 7200.0))
    rescue_days = luck.uniform(3, 10) if luck.random() < 0.8 else None
    rescue = None if rescue_days is None else (battery.limit_pct / 100, rescue_days, StagedCharger(profile(chemistry, ah)))
    start_ms = START_MS + luck.randrange(42 * 24) * 3_600_000
    life = _life(battery.id, truth, sensor, loads, charger, climate, every_s, days, start_ms, number, rescue)
    return Vehicle(battery, kind, measures_current, table is not None, life)


def used(number: int, seed: int = 1, days: int = 60) -> Vehicle:
    """A vehicle on tour: it lives off solar and now and then a night on mains."""
    luck = Random(seed * 2_000_003 + number)
    chemistry = luck.choice(CHEMISTRIES)
    ah = luck.choice((95.0, 110.0, 200.0))
    truth = SimulatedBattery(chemistry, ah, state_of_charge=luck.uniform(0.8, 1.0), health=luck.uniform(0.8, 1.0), seed=seed + number + 1)
    sun = Sun(luck.uniform(60, 220), luck.uniform(40, 58), 152, luck.uniform(0.2, 0.7), number)
    plan = profile(chemistry, ah)
    charger = _Tour(SolarController(sun, ABSORPTION[chemistry], 13.5), lambda: StagedCharger(plan), luck.choice((3, 5, 8)))
    battery = Battery(
        f"t{number:04d}", chemistry, ah, cells=truth.cells, rest_voltage_table=_table(truth, luck) if luck.random() < 0.5 else None,
        sensor=Sensor(1.0, 0.05, 0.01),
    )  # fmt: skip
    loads = Loads(luck.choice((WEEKEND, LONG_TOUR)), number)
    sensor = SimulatedSensor.typical(number + seed)
    life = _life(battery.id, truth, sensor, loads, charger, (19.0, 6.0, 4.0), 300.0, days, SUMMER_MS, number)
    return Vehicle(battery, "used", True, battery.rest_voltage_table is not None, life)


class _Tour:
    """Solar by day, and every few days a night on mains; a charger that is plugged in begins with bulk."""

    def __init__(self, solar: Charger, mains: Callable[[], Charger], every_days: int) -> None:
        self.solar, self._make, self.every_days, self.stage = solar, mains, every_days, "off"
        self._mains: Charger | None = None

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        plugged = int(at_s // DAY_S) % self.every_days == self.every_days - 1 and not 9 <= at_s % DAY_S / 3600 < 17
        if not plugged:
            self._mains = None
            return self.solar.step(battery, at_s, seconds, load_a, ambient_c)
        if self._mains is None:
            self._mains = self._make()
        return self._mains.step(battery, at_s, seconds, load_a, ambient_c)


def _gap(luck: Random, days: int) -> tuple[float, float]:
    from_s = luck.uniform(2, days) * DAY_S
    return from_s, from_s + luck.choice((0.2, 0.5, 1, 3, 6, 10)) * DAY_S


def _table(truth: SimulatedBattery, luck: Random) -> tuple[tuple[float, float], ...]:
    """What the owner has on paper: the right form, up to 50 mV beside this battery's curve."""
    off_v = luck.uniform(-0.05, 0.05) * truth.cells / 6
    before = truth.state_of_charge, truth.temperature_c
    rows = []
    truth._new_temperature(25.0)
    for pct in (0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100):
        rows.append((float(pct), round(truth._rest(pct / 100) + off_v, 3)))
    truth.state_of_charge = before[0]
    truth._new_temperature(before[1])
    return tuple(rows)


def _life(
    battery_id: str, truth: SimulatedBattery, sensor: SimulatedSensor, loads: Loads, charger: Charger | None,
    climate: tuple[float, float, float], every_s: float, days: int, start_ms: int, number: int,
    rescue: tuple[float, float, Charger] | None = None,
) -> Iterator[Told]:  # fmt: skip
    """`rescue`: (limit, days, charger): so long after the battery has fallen below the limit somebody charges it for a day."""
    rescue_s = None
    mean_c, swing_c, drift_c = climate
    steps = max(1, round(every_s / 900))
    step_s = every_s / steps
    now_s = 0.0
    while now_s < days * DAY_S:
        total = 0.0
        for _ in range(steps):
            air_c = ambient_c(now_s, mean_c, swing_c, number, drift_c)
            load_a = loads.mean_a(now_s, step_s, air_c, 6)
            used_charger = charger
            if rescue is not None and rescue_s is None and truth.state_of_charge < rescue[0]:
                rescue_s = now_s + rescue[1] * DAY_S
            elif rescue is not None and rescue_s is not None and now_s >= rescue_s:
                used_charger = rescue[2]
                rescue_s = rescue_s if now_s < rescue_s + DAY_S else None
            if used_charger is None:
                total += truth.draw(step_s, -load_a, air_c)
            else:
                total += used_charger.step(truth, now_s, step_s, load_a, air_c)
            now_s += step_s
        sample = sensor.read(truth, now_s, total / steps)
        at_ms = start_ms + round(now_s * 1000)
        reading = None
        if sample is not None:
            reading = on_the_grid(Reading(battery_id, at_ms, sample.voltage_v, sample.current_a, sample.temperature_c))
        yield Told(at_ms, reading, 100 * truth.state_of_charge)
