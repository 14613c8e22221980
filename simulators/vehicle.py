"""A vehicle with one battery: what draws, what charges when, how cold it is, and what its sensor shows. No wire, no clock."""

from typing import NamedTuple

from simulators.battery import SimulatedBattery
from simulators.charger import Charger
from simulators.loads import Loads, ambient_c, wake_up_a
from simulators.sensor import Sample, SimulatedSensor


class Stay(NamedTuple):
    """A stretch of the vehicle's own time (seconds from its midnight 0) in which a charger is connected."""

    from_s: float
    to_s: float
    charger: Charger


class Climate(NamedTuple):
    """Air around the battery: mean, swing of the day, and how far the weather wanders, °C."""

    mean_c: float = 12.0
    swing_c: float = 5.0
    drift_c: float = 3.0


class Vehicle:
    """Advances in steps that follow its loads. `now_s` is its own time axis; whoever owns it knows which date that is."""

    def __init__(
        self,
        name: str,
        battery: SimulatedBattery,
        sensor: SimulatedSensor,
        loads: Loads,
        stays: tuple[Stay, ...] = (),
        climate: Climate | None = None,
        *,
        tracker: bool = False,
        step_s: float = 600.0,
        now_s: float = 0.0,
    ) -> None:
        self.name, self.battery, self.sensor, self.loads, self.stays = name, battery, sensor, loads, stays
        self.climate = climate or Climate()
        self.tracker, self.step_s, self.now_s = tracker, step_s, now_s
        self.sequence = 0
        battery.temperature_c = self.ambient_c

    @property
    def ambient_c(self) -> float:
        mean_c, swing_c, drift_c = self.climate
        return ambient_c(self.now_s, mean_c, swing_c, self.loads.seed, drift_c)

    @property
    def charger(self) -> Charger | None:
        """What is connected now."""
        return next((stay.charger for stay in self.stays if stay.from_s <= self.now_s < stay.to_s), None)

    def advance(self, seconds: float) -> float:
        """Live so long. Gives the mean current at the battery, A (positive: charging)."""
        total, left = 0.0, seconds
        while left > 1e-6:
            step_s = min(left, self.step_s)
            total += step_s * self._step(step_s)
            left -= step_s
        return total / seconds if seconds > 0 else self.battery.current_a

    def _step(self, step_s: float) -> float:
        air_c = self.ambient_c
        draw_a = self.loads.current_a(self.now_s, air_c) if step_s <= 60 else self.loads.mean_a(self.now_s, step_s, air_c, 4)
        if self.tracker:
            draw_a += wake_up_a(self.now_s) if step_s <= 60 else 1.5 * 90 / 21600
        charger = self.charger
        if charger is None:
            mean_a = self.battery.draw(step_s, -draw_a, air_c)
        else:
            mean_a = charger.step(self.battery, self.now_s, step_s, draw_a, air_c)
        self.now_s += step_s
        return mean_a

    def sample(self, mean_a: float | None = None) -> Sample | None:
        """What the sensor shows now; its count goes on whether or not the sample arrives."""
        self.sequence += 1
        return self.sensor.read(self.battery, self.now_s, mean_a)
