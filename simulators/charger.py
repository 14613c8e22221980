"""Chargers, good and bad: each carries a battery and a load through a stretch of time and knows the stage it is in.

`CHARGERS` names behaviours; an entry makes the charger for a chemistry and a capacity. Set-points are for the whole battery at 25 °C
and are common practice, no source. No charger here knows what a battery watcher thinks of it.
"""

from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

from simulators.battery import SimulatedBattery
from simulators.sun import Sun


class Charger(Protocol):
    """Anything with terminals. `stage` is the truth: off, bulk, absorption, float, equalisation or pulse."""

    stage: str

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        """Carry the battery from at_s on for so many seconds. Gives the mean net current at the battery, A (positive: charging)."""


class Profile(NamedTuple):
    """What a charger with stages does. Volts for the whole battery at 25 °C."""

    absorption_v: float
    float_v: float | None
    current_a: float
    tail_a: float
    absorption_min_h: float = 0.5
    absorption_max_h: float = 8.0
    equalisation_v: float | None = None
    equalisation_h: float = 0.0
    compensation_v_per_k: float = 0.0
    """Negative: lower when warmer. By the battery's own temperature, held between 0 and 50 °C."""
    again_below_v: float = 12.5
    """Bulk starts again when the terminals have sunk below this."""


class StagedCharger:
    """Bulk, absorption, if asked equalisation, then float or off. With `stuck` it stays in absorption for ever."""

    def __init__(self, profile: Profile, *, stuck: bool = False, returns: bool = True) -> None:
        self.profile, self.stuck, self.returns = profile, stuck, returns
        self.stage = "bulk"
        self._held_s = 0.0

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        plan, total, left = self.profile, 0.0, seconds
        while left > 1e-6:
            step_s = min(left, 300.0)
            shift = plan.compensation_v_per_k * (min(max(battery.temperature_c, 0.0), 50.0) - 25)
            net = self._hold(battery, step_s, shift, load_a, ambient_c)
            total += net * step_s
            left -= step_s
            self._next(battery, step_s, shift, net + load_a)
        return total / seconds

    def _hold(self, battery: SimulatedBattery, seconds: float, shift: float, load_a: float, ambient_c: float) -> float:
        plan = self.profile
        if self.stage == "off":
            return battery.draw(seconds, -load_a, ambient_c)
        volts = {"float": plan.float_v, "equalisation": plan.equalisation_v}.get(self.stage) or plan.absorption_v
        amps = min(plan.current_a, 5 * plan.tail_a) if self.stage == "equalisation" else plan.current_a
        return battery.charge(seconds, amps, volts + shift, load_a, ambient_c)

    def _next(self, battery: SimulatedBattery, seconds: float, shift: float, charger_a: float) -> None:
        plan = self.profile
        self._held_s += seconds
        if self.stage == "bulk" and battery.voltage_v >= plan.absorption_v + shift - 0.03:
            self._enter("absorption")
        elif self.stage == "absorption" and not self.stuck:
            done = self._held_s >= plan.absorption_min_h * 3600 and battery.current_a <= plan.tail_a
            if done or self._held_s >= plan.absorption_max_h * 3600:
                self._enter("equalisation" if plan.equalisation_v else self._last)
        elif self.stage == "equalisation" and self._held_s >= plan.equalisation_h * 3600:
            self._enter(self._last)
        elif self.stage in ("off", "float") and self.returns and battery.voltage_v < plan.again_below_v:
            self._enter("bulk")

    @property
    def _last(self) -> str:
        return "off" if self.profile.float_v is None else "float"

    def _enter(self, stage: str) -> None:
        self.stage, self._held_s = stage, 0.0


class FixedSupply:
    """A power supply: one voltage, one current limit, for ever. An inner resistance makes an old transformer charger of it."""

    def __init__(self, voltage_v: float, current_a: float, resistance_ohm: float = 0.0) -> None:
        self.voltage_v, self.current_a, self.resistance_ohm = voltage_v, current_a, resistance_ohm
        self.stage = "bulk"

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        total, left = 0.0, seconds
        while left > 1e-6:
            step_s = min(left, 120.0 if self.resistance_ohm else 600.0)
            amps = self.current_a
            if self.resistance_ohm:
                amps = min(amps, max(0.0, (self.voltage_v - battery.voltage_v) / self.resistance_ohm))
            total += step_s * battery.charge(step_s, amps, self.voltage_v, load_a, ambient_c)
            left -= step_s
        self.stage = "float" if battery.voltage_v >= self.voltage_v - 0.05 else "bulk"
        return total / seconds


class PulsedCharger:
    """Rests, and gives a pulse of fixed length at fixed intervals: a maintainer (long, rare) or a desulfator (short, high, often)."""

    def __init__(self, every_s: float, pulse_s: float, voltage_v: float, current_a: float) -> None:
        self.every_s, self.pulse_s, self.voltage_v, self.current_a = every_s, pulse_s, voltage_v, current_a
        self.stage = "off"

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        total, now, end = 0.0, at_s, at_s + seconds
        while now < end - 1e-6:
            place = now % self.every_s
            pulsing = place < self.pulse_s
            edge = now + (self.pulse_s - place if pulsing else self.every_s - place)
            step_s = max(min(end, edge) - now, 1e-3)
            self.stage = "pulse" if pulsing else "off"
            if pulsing:
                total += step_s * battery.charge(step_s, self.current_a, self.voltage_v, load_a, ambient_c)
            else:
                total += step_s * battery.draw(step_s, -load_a, ambient_c)
            now += step_s
        return total / seconds


class SolarController:
    """A panel behind a controller with absorption (a few hours a day) and float."""

    def __init__(self, sun: Sun, absorption_v: float, float_v: float | None, absorption_h: float = 2.0) -> None:
        self.sun, self.absorption_v, self.float_v, self.absorption_h = sun, absorption_v, float_v, absorption_h
        self.stage = "off"
        self._held_h, self._day = 0.0, -1

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        total, now, end = 0.0, at_s, at_s + seconds
        while now < end - 1e-6:
            step_s = min(end - now, 300.0)
            total += step_s * self._hold(battery, now, step_s, load_a, ambient_c)
            now += step_s
        return total / seconds

    def _hold(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        if int(at_s // 86400) != self._day:
            self._day, self._held_h = int(at_s // 86400), 0.0
        amps = self.sun.current_a(at_s + seconds / 2, battery.voltage_v)
        if amps <= 0.01:
            self.stage = "off"
            return battery.draw(seconds, -load_a, ambient_c)
        full = self._held_h >= self.absorption_h
        volts = (self.float_v if full else self.absorption_v) or 0.0
        net = battery.charge(seconds, amps, volts, load_a, ambient_c) if volts else battery.draw(seconds, -load_a, ambient_c)
        at_limit = bool(volts) and battery.voltage_v >= volts - 0.03
        self.stage = ("float" if full else "absorption") if at_limit else "bulk"
        if at_limit and not full:
            self._held_h += seconds / 3600
        return net


class Alternator:
    """The engine's generator on some hours of the day. A smart one lowers its voltage and raises it only to brake."""

    def __init__(self, hours: tuple[tuple[float, float], ...], voltage_v: float, current_a: float, *, smart: bool = False) -> None:
        self.hours, self.voltage_v, self.current_a, self.smart = hours, voltage_v, current_a, smart
        self.stage = "off"

    def voltage_at(self, at_s: float) -> float:
        """What the vehicle's line stands at, V; 0 with the engine off. Smart: 12.3 V mostly, 14.9 V for a sixth of the time."""
        hour = at_s % 86400 / 3600
        if not any(a <= hour < b for a, b in self.hours):
            return 0.0
        if not self.smart:
            return self.voltage_v
        return 14.9 if at_s % 360 < 60 else 12.3

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        total, now, end = 0.0, at_s, at_s + seconds
        while now < end - 1e-6:
            step_s = min(end - now, 60.0 - now % 60.0)
            volts = self.voltage_at(now)
            if volts > 0:
                total += step_s * battery.charge(step_s, self.current_a, volts, load_a, ambient_c)
                self.stage = "absorption" if battery.voltage_v >= volts - 0.03 else "bulk"
            else:
                total += step_s * battery.draw(step_s, -load_a, ambient_c)
                self.stage = "off"
            now += step_s
        return total / seconds


class WhileDriving:
    """A DC-DC charger: another charger that works only while the engine runs and starts anew with each drive."""

    def __init__(self, hours: tuple[tuple[float, float], ...], make: Callable[[], Charger]) -> None:
        self.hours, self._make, self._inner = hours, make, make()
        self._running, self.stage = False, "off"

    def step(self, battery: SimulatedBattery, at_s: float, seconds: float, load_a: float, ambient_c: float) -> float:
        total, now, end = 0.0, at_s, at_s + seconds
        while now < end - 1e-6:
            step_s = min(end - now, 300.0)
            hour = now % 86400 / 3600
            running = any(a <= hour < b for a, b in self.hours)
            if running and not self._running:
                self._inner = self._make()
            self._running = running
            if running:
                total += step_s * self._inner.step(battery, now, step_s, load_a, ambient_c)
            else:
                total += step_s * battery.draw(step_s, -load_a, ambient_c)
            self.stage = self._inner.stage if running else "off"
            now += step_s
        return total / seconds


SET_POINTS: dict[str, tuple[float, float, float, float, float]] = {
    # absorption V, float V, charging current and tail as a fraction of the capacity, compensation V/K for the whole battery
    "flooded": (14.6, 13.5, 0.15, 0.015, -0.024),
    "efb": (14.6, 13.6, 0.20, 0.015, -0.024),
    "agm": (14.4, 13.6, 0.25, 0.008, -0.024),
    "gel": (14.1, 13.6, 0.20, 0.008, -0.024),
    "lifepo4": (14.2, 13.4, 0.30, 0.04, 0.0),
}
DRIVES = ((9.0, 12.0), (15.0, 17.0))


def profile(chemistry: str, capacity_ah: float, made_for: str | None = None) -> Profile:
    """A sound profile for this chemistry and size; with `made_for`, the profile of another chemistry on this battery."""
    volts, float_v, part, tail, compensation = SET_POINTS[made_for or chemistry]
    return Profile(volts, float_v, part * capacity_ah, tail * capacity_ah, compensation_v_per_k=compensation)


def _staged(made_for: str | None = None, *, stuck: bool = False, returns: bool = True, **changed: Any) -> "Maker":
    def make(chemistry: str, capacity_ah: float) -> Charger:
        plan = profile(chemistry, capacity_ah, made_for)._replace(**changed)
        return StagedCharger(plan, stuck=stuck, returns=returns)

    return make


def _solar(absorption_v: float | None = None) -> "Maker":
    def make(chemistry: str, capacity_ah: float) -> Charger:
        right = SET_POINTS[chemistry]
        return SolarController(Sun(1.5 * capacity_ah, cloudiness=0.3, seed=3), absorption_v or right[0], right[1])

    return make


Maker = Callable[[str, float], Charger]

CHARGERS: dict[str, Maker] = {
    "mains right": _staged(),
    "mains made for flooded": _staged("flooded", absorption_v=14.8),
    "mains made for agm": _staged("agm", absorption_v=14.7),
    "mains made for gel": _staged("gel"),
    "mains made for lithium": _staged("lifepo4", float_v=None),
    "mains without compensation": _staged(compensation_v_per_k=0.0),
    "mains with equalisation": _staged(equalisation_v=15.5, equalisation_h=3.0),
    "stuck in absorption": _staged(stuck=True),
    "no float": _staged(float_v=None, returns=False),
    "absorption too short": _staged(absorption_min_h=0.0, absorption_max_h=0.17),
    "too strong": lambda chemistry, ah: StagedCharger(profile(chemistry, ah)._replace(current_a=0.9 * ah)),
    "too weak": lambda chemistry, ah: StagedCharger(profile(chemistry, ah)._replace(current_a=0.01 * ah)),
    "float too high": _staged(float_v=14.4),
    "float too low": _staged(float_v=12.9, again_below_v=12.2),
    "broken regulator": lambda chemistry, ah: FixedSupply(15.6, 0.2 * ah),
    "never full": lambda chemistry, ah: FixedSupply(13.5, 0.15 * ah),
    "fixed supply": lambda chemistry, ah: FixedSupply(13.8, 0.2 * ah),
    "old transformer": lambda chemistry, ah: FixedSupply(16.5, 0.1 * ah, resistance_ohm=0.4 * 100 / ah),
    "pulsed maintenance": lambda chemistry, ah: PulsedCharger(86400.0, 5400.0, SET_POINTS[chemistry][0], 0.05 * ah),
    "desulfation": lambda chemistry, ah: PulsedCharger(900.0, 300.0, 15.8, 0.05 * ah),
    "solar": _solar(),
    "solar set too high": _solar(15.0),
    "alternator": lambda chemistry, ah: Alternator(DRIVES, 14.2, 0.3 * ah),
    "smart alternator": lambda chemistry, ah: Alternator(DRIVES, 14.2, 0.3 * ah, smart=True),
    "short hook-up": lambda chemistry, ah: WhileDriving(((9.0, 12.0),), lambda: StagedCharger(profile(chemistry, ah))),
    "dc-dc": lambda chemistry, ah: WhileDriving(DRIVES, lambda: StagedCharger(profile(chemistry, ah))),
    "dc-dc made for flooded": lambda chemistry, ah: WhileDriving(DRIVES, lambda: StagedCharger(profile(chemistry, ah, "flooded"))),
}
