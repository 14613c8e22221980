"""What draws from a leisure battery: standby, a fridge that cycles, lights in the evening, a pump, bursts of a mover or an inverter.

Everything is a function of time and a seed, so that a van lived twice is the same van. Powers are judgements in the range of a usual
caravan budget; the burst currents follow P / (efficiency × voltage).
"""

from math import sin, tau
from random import Random
from typing import NamedTuple

DAY_S = 86400.0


class Burst(NamedTuple):
    """A short heavy load: from when (seconds of the van's own time axis), how long, how many amperes."""

    at_s: float
    seconds: float
    current_a: float


class Household(NamedTuple):
    """How people live in the van. All amperes at about 12 V, as positive numbers."""

    standby_a: float = 0.12
    fridge_a: float = 4.2
    fridge_share: float = 0.30
    """Share of the time that the compressor runs at 20 °C; it rises with the temperature."""
    lights_a: float = 2.0
    heating_fan_a: float = 1.6
    pump_a: float = 5.0
    inverter_w: float = 0.0
    """A kettle or hair dryer on the inverter, a few minutes each day."""


STORED = Household(standby_a=0.03, fridge_a=0.0, lights_a=0.0, heating_fan_a=0.0, pump_a=0.0)
WEEKEND = Household(inverter_w=1200)
LONG_TOUR = Household(standby_a=0.2, fridge_share=0.4, lights_a=3.0, inverter_w=1500)


class Loads:
    """The current that a household draws at any time, A, never negative."""

    def __init__(self, household: Household, seed: int = 0, bursts: tuple[Burst, ...] = ()) -> None:
        self.household, self.seed, self.bursts = household, seed, bursts
        self._phase_s = Random(seed).uniform(0, 2400)
        self._day = -1
        self._pump: tuple[tuple[float, float], ...] = ()
        self._kettle: tuple[tuple[float, float], ...] = ()

    def current_a(self, at_s: float, ambient_c: float = 20.0) -> float:
        """at_s: seconds from a midnight in local time."""
        home = self.household
        day = int(at_s // DAY_S)
        if day != self._day:
            self._plan(day)
        hour = at_s % DAY_S / 3600
        amps = home.standby_a
        if home.fridge_a:
            share = min(0.95, home.fridge_share * max(0.2, 1 + 0.04 * (ambient_c - 20)))
            if (at_s + self._phase_s) % 2400 < share * 2400:
                amps += home.fridge_a
        if 18.0 <= hour < 23.0:
            amps += home.lights_a
        if home.heating_fan_a and ambient_c < 12 and (hour >= 17 or hour < 9) and at_s % 1500 < 700:
            amps += home.heating_fan_a
        if home.pump_a and any(a <= at_s < b for a, b in self._pump):
            amps += home.pump_a
        if home.inverter_w and any(a <= at_s < b for a, b in self._kettle):
            amps += home.inverter_w / (0.88 * 12)
        for burst in self.bursts:
            if burst.at_s <= at_s < burst.at_s + burst.seconds:
                amps += burst.current_a
        return amps

    def mean_a(self, from_s: float, seconds: float, ambient_c: float = 20.0, samples: int = 10) -> float:
        """The mean over a stretch, for steps longer than the loads' own pulses."""
        home = self.household
        if not (home.fridge_a or home.lights_a or home.heating_fan_a or home.pump_a or home.inverter_w or self.bursts):
            return home.standby_a
        return sum(self.current_a(from_s + seconds * (i + 0.5) / samples, ambient_c) for i in range(samples)) / samples

    def _plan(self, day: int) -> None:
        """The day's uses of pump and inverter, from the seed and the day alone."""
        luck, start = Random(self.seed * 100_003 + day), day * DAY_S
        self._day = day
        times = [start + luck.uniform(7, 23) * 3600 for _ in range(12)]
        self._pump = tuple((t, t + luck.uniform(20, 90)) for t in times)
        first = start + luck.uniform(7, 9) * 3600
        self._kettle = ((first, first + luck.uniform(120, 240)),)


def wake_up_a(at_s: float, every_s: float = 21600, seconds: float = 90, current_a: float = 1.5) -> float:
    """A vehicle tracker that wakes, looks for the sky and sends."""
    return current_a if at_s % every_s < seconds else 0.0


def ambient_c(at_s: float, mean_c: float = 12.0, swing_c: float = 6.0, seed: int = 0, drift_c: float = 3.0) -> float:
    """Air temperature: warmest at three in the afternoon, with weather that wanders over days."""
    day = at_s / DAY_S
    weather = sin(tau * day / 6.3 + seed) + 0.6 * sin(tau * day / 2.7 + 2.1 * seed)
    return mean_c + swing_c * sin(tau * (day - 0.375)) + drift_c * weather / 1.6
