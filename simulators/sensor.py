"""What an instrument makes of the truth: offsets, gain, noise, steps, lost samples and silent spells. It knows no wire format."""

from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from simulators.battery import SimulatedBattery


class Sample(NamedTuple):
    """What the instrument shows, in its own belief. current_a is positive into the battery; None where it measures none."""

    voltage_v: float
    current_a: float | None
    temperature_c: float | None
    charge_ah: float | None


class SimulatedSensor:
    """One shunt or voltage sensor. A reversed shunt is `current_gain_pct=-200`; a voltage-only sensor `measures_current=False`.

    drop_rate: share of samples lost one by one. gaps: ((from_s, to_s), …) on the caller's own time axis in which nothing is heard.
    current_offset_a_per_k: drift of the offset with the instrument's temperature around 20 °C. wander_a: standard deviation of an
    offset that wanders over about a day. Resolutions of 0 mean none.
    """

    def __init__(
        self, seed: int = 0, *, current_offset_a: float = 0.0, current_gain_pct: float = 0.0, voltage_offset_v: float = 0.0,
        temperature_offset_c: float = 0.0, current_noise_a: float = 0.0, current_noise_pct: float = 0.0, voltage_noise_v: float = 0.0,
        temperature_noise_c: float = 0.0, current_resolution_a: float = 0.0, voltage_resolution_v: float = 0.0,
        temperature_resolution_c: float = 0.0, current_offset_a_per_k: float = 0.0, wander_a: float = 0.0, drop_rate: float = 0.0,
        gaps: Sequence[tuple[float, float]] = (), measures_current: bool = True, measures_temperature: bool = True, counts_charge: bool = False,
    ) -> None:  # fmt: skip
        self._luck = Random(seed)
        self.current_offset_a, self.current_gain_pct, self.voltage_offset_v = current_offset_a, current_gain_pct, voltage_offset_v
        self.temperature_offset_c = temperature_offset_c
        self._noise = current_noise_a, current_noise_pct / 100, voltage_noise_v, temperature_noise_c
        self._steps = current_resolution_a, voltage_resolution_v, temperature_resolution_c
        self._per_k, self._wander_a, self._wandered_a, self._last_s = current_offset_a_per_k, wander_a, 0.0, 0.0
        self.drop_rate, self.gaps = drop_rate, gaps
        self.measures = measures_current, measures_temperature
        self.charge_ah: float | None = 0.0 if counts_charge else None
        """The instrument's own counter, fed by every `read`, also by those that are lost on the way."""

    @classmethod
    def typical(cls, seed: int, **changed: float | bool) -> "SimulatedSensor":
        """A class 0.5 shunt with a 16-bit converter: gain within 1 %, offset within 50 mA, voltage within 10 mV (judgement)."""
        luck = Random(seed)
        usual: dict[str, float | bool] = {
            "current_offset_a": luck.uniform(-0.05, 0.05), "current_gain_pct": luck.uniform(-1, 1), "voltage_offset_v": luck.uniform(-0.01, 0.01),
            "temperature_offset_c": luck.uniform(-0.6, 0.6), "current_noise_a": 0.015, "current_noise_pct": 0.1, "voltage_noise_v": 0.003,
            "current_resolution_a": 0.01, "voltage_resolution_v": 0.01, "temperature_resolution_c": 0.5, "current_offset_a_per_k": 0.001,
            "wander_a": 0.004, "drop_rate": 0.02,
        }  # fmt: skip
        return cls(seed, **{**usual, **changed})  # type: ignore[arg-type]

    def read(self, battery: SimulatedBattery, at_s: float, mean_current_a: float | None = None) -> Sample | None:
        """The sample at this time, or None where it is lost. mean_current_a: what flowed on average since the last sample (averaging shunt)."""
        luck, (noise_a, noise_part, noise_v, noise_c) = self._luck, self._noise
        since_s = max(0.0, at_s - self._last_s)
        self._last_s = at_s
        true_a = battery.current_a if mean_current_a is None else mean_current_a
        offset_a = self.current_offset_a + self._per_k * (battery.temperature_c - 20)
        if self._wander_a:
            keep = max(0.0, 1 - since_s / 86400)
            self._wandered_a = self._wandered_a * keep + luck.gauss(0, self._wander_a) * (1 - keep * keep) ** 0.5
            offset_a += self._wandered_a
        amps = true_a * (1 + self.current_gain_pct / 100) + offset_a
        if self.charge_ah is not None:
            self.charge_ah += amps * since_s / 3600
        if noise_a or noise_part:
            amps += luck.gauss(0, noise_a + noise_part * abs(true_a))
        volts = battery.voltage_v + self.voltage_offset_v + (luck.gauss(0, noise_v) if noise_v else 0.0)
        celsius = battery.temperature_c + self.temperature_offset_c + (luck.gauss(0, noise_c) if noise_c else 0.0)
        lost = luck.random() < self.drop_rate
        if lost or any(a <= at_s < b for a, b in self.gaps):
            return None
        step_a, step_v, step_c = self._steps
        current, temperature = self.measures
        return Sample(
            _stepped(volts, step_v),
            _stepped(amps, step_a) if current else None,
            _stepped(celsius, step_c) if temperature else None,
            self.charge_ah,
        )


def _stepped(value: float, step: float) -> float:
    return round(round(value / step) * step, 6) if step else value
