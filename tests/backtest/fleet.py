"""The vehicles of the backtest: stored ones through a winter, used ones through a summer. Same number and seed, same vehicle.

Declared is what an owner would know: often no table, often one that is 50 mV off, often no starting charge. A `Handicap` takes more
away. Whoever is on tour plans the nights on mains by what sun and loads are usually like, errs, and mostly acts when warned.
"""

from collections.abc import Callable, Iterator
from copy import copy, deepcopy
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


class Handicap(NamedTuple):
    """What all vehicles of a fleet lack. None: as chance has it."""

    measures_current: bool | None = None
    table_off_v: float | None = None
    """Every owner has a table, and all of it stands so far beside the battery (six cells), up or down. infinity: nobody has one."""
    knows_start: bool | None = None


AS_IT_COMES = Handicap()
NOBODY_HAS_ONE = float("inf")
HANDICAPS = {
    "as it comes": AS_IT_COMES,
    "shunt, table 30 mV off, no start": Handicap(True, 0.03, False),
    "shunt, no table, no start": Handicap(True, NOBODY_HAS_ONE, False),
    "voltage only, table 30 mV off, no start": Handicap(False, 0.03, False),
    "voltage only, no table, no start": Handicap(False, NOBODY_HAS_ONE, False),
}
"""The fleets that every change to forecast or storage rules is held against."""


class Vehicle(NamedTuple):
    """What the owner declares, what it is for, and its life."""

    battery: Battery
    kind: str
    """drained | solar | maintained | used"""
    measures_current: bool
    has_table: bool
    life: "Iterator[Told] | Life"


def stored(number: int, seed: int = 1, days: int = 120, handicap: Handicap = AS_IT_COMES) -> Vehicle:
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
    table = _table(truth, luck.uniform(-0.05, 0.05)) if luck.random() < 0.5 else None
    charger: Charger | None = None
    if kind == "maintained":
        charger = StagedCharger(profile(chemistry, ah))
    elif kind == "solar":
        sun = Sun(luck.uniform(5, 40), luck.uniform(44, 55), 305, luck.uniform(0.3, 0.8), number)
        charger = SolarController(sun, ABSORPTION[chemistry], 13.5)
    known_pct = min(100.0, max(0.0, 100 * start + luck.uniform(-3, 3))) if luck.random() < 0.4 else None
    loads = Loads(STORED._replace(standby_a=luck.uniform(0.005, 0.08)), number)
    climate = (luck.uniform(-2, 8), luck.uniform(2, 6), luck.uniform(3, 7))
    every_s = luck.choice((1800.0, 3600.0, 3600.0, 3600.0, 7200.0))
    rescue_days = luck.uniform(3, 10) if luck.random() < 0.8 else None
    start_ms = START_MS + luck.randrange(42 * 24) * 3_600_000
    if handicap.table_off_v is not None:
        table = None if handicap.table_off_v == NOBODY_HAS_ONE else _table(truth, luck.choice((-1, 1)) * handicap.table_off_v)
    if handicap.measures_current is not None:
        measures_current = handicap.measures_current
        sensor.measures = measures_current, measures_temperature
    battery = Battery(
        f"v{number:04d}", chemistry, ah, cells=truth.cells, rest_voltage_table=table,
        initial_state_of_charge_pct=None if handicap.knows_start is False else known_pct,
        sensor=Sensor(1.0, 0.05, 0.01, measures_current),
    )  # fmt: skip
    rescue = None if rescue_days is None else Rescue(battery.limit_pct / 100, rescue_days, StagedCharger(profile(chemistry, ah)))
    world = World(truth, loads, charger, climate, number)
    return Vehicle(battery, kind, measures_current, table is not None, Life(battery.id, world, sensor, every_s, days, start_ms, rescue))


def used(number: int, seed: int = 1, days: int = 60) -> Vehicle:
    """A vehicle on tour: it lives off solar and now and then a night on mains, as its owner planned."""
    luck = Random(seed * 2_000_003 + number)
    chemistry = luck.choice(CHEMISTRIES)
    ah = luck.choice((95.0, 110.0, 200.0))
    truth = SimulatedBattery(chemistry, ah, state_of_charge=luck.uniform(0.8, 1.0), health=luck.uniform(0.8, 1.0), seed=seed + number + 1)
    sun = Sun(luck.uniform(60, 220), luck.uniform(40, 58), 152, luck.uniform(0.2, 0.7), number)
    plan = profile(chemistry, ah)
    battery = Battery(
        f"t{number:04d}", chemistry, ah, cells=truth.cells,
        rest_voltage_table=_table(truth, luck.uniform(-0.05, 0.05)) if luck.random() < 0.5 else None,
        sensor=Sensor(1.0, 0.05, 0.01),
    )  # fmt: skip
    loads = Loads(luck.choice((WEEKEND, LONG_TOUR)), number)
    usable_ah = ah * (1 - battery.limit_pct / 100)
    owner = Owner(_every_days(usable_ah, loads, sun, luck.uniform(0.6, 1.2)), luck)
    charger = _Tour(SolarController(sun, ABSORPTION[chemistry], 13.5), lambda: StagedCharger(plan), owner)
    sensor = SimulatedSensor.typical(number + seed)
    life = Life(battery.id, World(truth, loads, charger, (19.0, 6.0, 4.0), number), sensor, 300.0, days, SUMMER_MS, owner=owner)
    return Vehicle(battery, "used", True, battery.rest_voltage_table is not None, life)


def _every_days(usable_ah: float, loads: Loads, sun: Sun, misjudged: float) -> int:
    """How often somebody who knows the loads and the usual weather plans a night on mains; `misjudged` above 1: too seldom
    (judgement: most leave something in reserve, some err by a fifth)."""
    quarters = [q * 900.0 for q in range(10 * 96)]
    deficit_ah = sum(loads.mean_a(s, 900.0, 19.0, 3) - 0.9 * sun.current_a(s, 13.0) for s in quarters) / 40
    return 8 if deficit_ah <= 0 else max(1, min(8, int(misjudged * usable_ah / deficit_ah)))


HEEDED = 0.8
"""Share of the warnings that are acted on. Judgement: of five, one comes where there is no socket, or is not read."""


class Owner:
    """Whoever is on tour: a night on mains every few days, and one more when warned, an hour or two after reading it by day.

    Who had to act on a warning plans the next nights on mains a day closer together.
    """

    def __init__(self, every_days: int, luck: Random) -> None:
        self.every_days, self._luck = every_days, luck
        self._from_s = self._until_s = -1.0

    def hear(self, now_s: float) -> None:
        """A warning reaches the owner."""
        if now_s < self._until_s or self._luck.random() > HEEDED:
            return
        reads_s = now_s if 7 <= now_s % DAY_S / 3600 < 23 else (now_s // DAY_S + (now_s % DAY_S > 12 * 3600)) * DAY_S + 7 * 3600
        self._from_s = reads_s + self._luck.uniform(0.5, 2.0) * 3600
        self._until_s = self._from_s + self._luck.uniform(10, 16) * 3600
        self.every_days = max(1, self.every_days - 1)

    def is_plugged(self, at_s: float) -> bool:
        if self._from_s <= at_s < self._until_s:
            return True
        evening = int((at_s - 9 * 3600) // DAY_S)
        return evening % self.every_days == self.every_days - 1 and not 9 <= at_s % DAY_S / 3600 < 17


class _Tour:
    """Solar by day, and mains when the owner has plugged in; a charger that is plugged in begins with bulk. No owner: sun alone."""

    def __init__(self, solar: Charger, mains: Callable[[], Charger], owner: Owner | None) -> None:
        self.solar, self._make, self.owner, self.stage = solar, mains, owner, "off"
        self._mains: Charger | None = None

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        if self.owner is None or not self.owner.is_plugged(at_s):
            self._mains = None
            return self.solar.step(battery, at_s, seconds, load_a, ambient_c)
        if self._mains is None:
            self._mains = self._make()
        return self._mains.step(battery, at_s, seconds, load_a, ambient_c)

    def left_alone(self) -> "_Tour":
        """The same with nobody who plugs anything in."""
        return _Tour(deepcopy(self.solar), self._make, None)


def _gap(luck: Random, days: int) -> tuple[float, float]:
    from_s = luck.uniform(2, days) * DAY_S
    return from_s, from_s + luck.choice((0.2, 0.5, 1, 3, 6, 10)) * DAY_S


def _table(truth: SimulatedBattery, off_v: float) -> tuple[tuple[float, float], ...]:
    """What the owner has on paper: the right form, so many volts (six cells) beside this battery's curve."""
    off_v *= truth.cells / 6
    before = truth.state_of_charge, truth.temperature_c
    rows = []
    truth._new_temperature(25.0)
    for pct in (0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100):
        rows.append((float(pct), round(truth._rest(pct / 100) + off_v, 3)))
    truth.state_of_charge = before[0]
    truth._new_temperature(before[1])
    return tuple(rows)


class World(NamedTuple):
    """What happens to a battery."""

    truth: SimulatedBattery
    loads: Loads
    charger: Charger | None
    climate: tuple[float, float, float]
    """Mean, swing of the day and drift of the weather, kelvins."""
    number: int

    def step(self, now_s: float, step_s: float, instead: Charger | None = None) -> float:
        """Live on for a step; gives the mean current. `instead`: another charger for this once."""
        mean_c, swing_c, drift_c = self.climate
        air_c = ambient_c(now_s, mean_c, swing_c, self.number, drift_c)
        load_a = self.loads.mean_a(now_s, step_s, air_c, 6)
        charger = instead or self.charger
        if charger is None:
            return self.truth.draw(step_s, -load_a, air_c)
        return charger.step(self.truth, now_s, step_s, load_a, air_c)


class Rescue(NamedTuple):
    """So many days after the battery has fallen below the limit (a fraction) somebody charges it for a day."""

    limit: float
    days: float
    charger: Charger


class Life:
    """Steps of a vehicle's life, made as they are asked for."""

    def __init__(
        self, battery_id: str, world: World, sensor: SimulatedSensor, every_s: float, days: int, start_ms: int,
        rescue: Rescue | None = None, owner: Owner | None = None,
    ) -> None:  # fmt: skip
        self.world, self.owner = world, owner
        self._id, self._sensor, self._every_s, self._days, self._start_ms, self._rescue = (
            battery_id,
            sensor,
            every_s,
            days,
            start_ms,
            rescue,
        )
        self._now_s, self._rescue_s = 0.0, None if rescue is None else -1.0

    def __iter__(self) -> Iterator[Told]:
        truth = self.world.truth
        steps = max(1, round(self._every_s / 900))
        step_s = self._every_s / steps
        while self._now_s < self._days * DAY_S:
            total = 0.0
            for _ in range(steps):
                total += self.world.step(self._now_s, step_s, self._rescuer())
                self._now_s += step_s
            sample = self._sensor.read(truth, self._now_s, total / steps)
            at_ms = self._start_ms + round(self._now_s * 1000)
            reading = None
            if sample is not None:
                reading = on_the_grid(Reading(self._id, at_ms, sample.voltage_v, sample.current_a, sample.temperature_c))
            yield Told(at_ms, reading, 100 * truth.state_of_charge)

    def _rescuer(self) -> Charger | None:
        """The charger of the rescue while it is there."""
        if self._rescue is None or self._rescue_s is None:
            return None
        if self._rescue_s < 0:
            if self.world.truth.state_of_charge < self._rescue.limit:
                self._rescue_s = self._now_s + self._rescue.days * DAY_S
            return None
        if self._now_s < self._rescue_s:
            return None
        if self._now_s >= self._rescue_s + DAY_S:
            self._rescue_s = -1.0
        return self._rescue.charger

    def hear(self) -> None:
        """A warning was pushed now."""
        if self.owner is not None:
            self.owner.hear(self._now_s)

    def lowest_pct_if_left_alone(self, hours: float) -> float:
        """How low the true state of charge falls within so many hours of now if nobody plugs anything in. Changes nothing."""
        charger = self.world.charger
        alone = self.world._replace(
            truth=copy(self.world.truth), loads=deepcopy(self.world.loads),
            charger=charger.left_alone() if isinstance(charger, _Tour) else deepcopy(charger),
        )  # fmt: skip
        now_s, lowest = self._now_s, 1.0
        while now_s < self._now_s + hours * 3600:
            alone.step(now_s, self._every_s)
            now_s += self._every_s
            lowest = min(lowest, alone.truth.state_of_charge)
        return 100 * lowest
