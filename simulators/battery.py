"""A battery to test against: an equivalent circuit with a truth that an estimator can be held to. It shares nothing with the product.

The circuit, in the form of (from memory, not re-read; every coefficient below is a judgement unless it says otherwise):

- two wells of charge with an exchange between them: Manwell & McGowan, "Lead acid battery storage model for hybrid energy
  systems", Solar Energy 50 (1993) 399-405. It gives recovery after a load, less charge at a high rate, and slow acceptance.
- a main branch whose resistance grows towards full, and a parasitic branch for gassing: Ceraolo, "New dynamical models of
  lead-acid batteries", IEEE Trans. Power Systems 15 (2000) 1184-1190. The gassing current is exponential in voltage and
  temperature, with the coefficients 11 per volt and 0.06 per kelvin of Schiffer et al., J. Power Sources 168 (2007) 66-78.
- for LiFePO4 no gassing; a hysteresis that does not decay with rest (Dreyer et al., Nature Materials 9 (2010) 448-453).

Current is positive into the battery. `state_of_charge` counts the main reaction only, as a fraction of the battery's actual capacity
at the 20 h rate. Not modelled: cells that differ, ageing while it runs, protection switches that open on charge.
"""

from math import exp
from random import Random
from typing import NamedTuple

REFERENCE_C = 25.0
SHORTEST_STEP_S, LONGEST_STEP_S = 60.0, 600.0
GRID, GRID_BELOW, GRID_ABOVE = 500, 0.15, 0.05
EASIER_IN = 0.3
"""Wells differ less on charge: the main branch's resistance already speaks for the acceptance."""
HEADROOM = 5e-4
"""The main reaction never quite ends: at full it takes what self-discharge gave away."""


class Kind(NamedTuple):
    """One chemistry. Voltages per cell; resistances in ohm × ampere-hour per cell; currents as a fraction of the capacity per hour."""

    cells: int
    rest: tuple[tuple[float, float], ...]
    """(fraction, volts) at 25 °C; its own, not the product's."""
    rest_v_per_k: float
    ohmic: float
    polarisation: float
    acceptance: float
    """Resistance of the main branch on charge: acceptance / (1 - fraction) ** acceptance_power."""
    acceptance_power: float
    relax_s: float
    available: float
    """Share of the charge in the available well."""
    lag_h: float
    """Missing share of the charge for each unit of rate: what a fast discharge leaves behind."""
    knee_v: float
    empty_v: float
    """Below this under load nothing is delivered any more (loads and protection switch off)."""
    capacity_per_k: float
    surface_v: float
    surface_from_v: float
    surface_h: float
    gassing: float
    """Current at 2.23 V and 20 °C."""
    recombines: bool
    self_discharge_month: float
    """Fraction lost in 30 days at 20 °C; doubles for each 10 K."""
    hysteresis_v: float


def _lead(empty: float, slope: float, bend: float) -> tuple[tuple[float, float], ...]:
    return tuple((x / 20, (empty + slope * x / 20 - bend * (x / 20) ** 2) / 6) for x in range(-3, 22))


_FLOODED = Kind(
    6, _lead(11.82, 0.98, 0.10), 0.0002, 0.085, 0.05, 0.14, 1.15, 1800, 0.6, 2.2, 0.19, 1.0, 0.006, 0.040, 2.2, 14.0, 0.0008, False, 0.045, 0.0
)  # fmt: skip
KINDS: dict[str, Kind] = {
    "flooded": _FLOODED,
    "efb": _FLOODED._replace(
        rest=_lead(11.83, 0.99, 0.08), ohmic=0.075, acceptance=0.11, lag_h=1.7, surface_v=0.030, gassing=0.0007, self_discharge_month=0.035
    ),
    "agm": _FLOODED._replace(
        rest=_lead(11.78, 1.28, 0.16), ohmic=0.060, acceptance=0.07, relax_s=1500, lag_h=0.9, surface_v=0.022, surface_h=10.0,
        gassing=0.0005, recombines=True, self_discharge_month=0.02,
    ),
    "gel": _FLOODED._replace(
        rest=_lead(11.80, 1.33, 0.18), ohmic=0.080, acceptance=0.10, relax_s=1800, lag_h=1.3, surface_v=0.025, surface_h=12.0,
        gassing=0.0004, recombines=True, self_discharge_month=0.02,
    ),
    "lifepo4": Kind(
        4,
        (
            (-0.15, 1.5), (-0.02, 2.0), (0, 2.62), (0.02, 2.92), (0.05, 3.06), (0.1, 3.175), (0.2, 3.225), (0.3, 3.262), (0.36, 3.284),
            (0.6, 3.292), (0.66, 3.312), (0.7, 3.329), (0.95, 3.335), (0.98, 3.36), (0.99, 3.42), (1.0, 3.60), (1.05, 4.4),
        ),
        0.0, 0.17, 0.10, 0.0, 1.0, 1200, 0.9, 0.05, 0.0, 2.3, 0.003, 0.006, 3.36, 3.0, 0.0, False, 0.028, 0.012,
    ),
}  # fmt: skip

_FREEZES = ((0.0, -9.0), (0.25, -15.5), (0.5, -26.5), (0.75, -38.0), (1.0, -60.0))
"""US Army TM 5-4210-230-14&P-1, Table 2, rounded to half kelvins."""


def _between(rows: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight lines between the rows, and the outermost lines continued beyond them."""
    i = 1
    while i < len(rows) - 1 and x > rows[i][0]:
        i += 1
    (x0, y0), (x1, y1) = rows[i - 1], rows[i]
    return y0 + (y1 - y0) * (x - x0) / (x1 - x0)


class SimulatedBattery:
    """One battery. `seed` 0 is the typical one of its kind; another seed scatters resistance, self-discharge and rest voltage a little.

    health: actual capacity as a fraction of rated. table_offset_v: added to the whole rest-voltage curve. gassing_factor: well above 1
    makes a dried-out or overheated battery that can run away on a charger without compensation.
    """

    __slots__ = (  # noqa: RUF023 - states first would be no clearer
        "_a_delta", "_a_heat", "_a_relax", "_a_slow", "_acc", "_ah", "_at_c", "_build", "_c1", "_delta", "_dt_s", "_empty_v", "_gas",
        "_gas_from_v", "_gas_t", "_gentle_a", "_grid", "_heat_w_per_k", "_hyst", "_knee_at", "_knee_rest", "_knee_v", "_lag", "_leak_a", "_leak_t", "_ohm", "_polar", "_r0", "_rc",
        "_shift_v", "_slow", "_swing", "cells", "chemistry", "current_a", "frozen", "gassing_a", "kind", "state_of_charge", "temperature_c",
        "table_offset_v", "voltage_v",
    )  # fmt: skip

    def __init__(
        self, chemistry: str, capacity_ah: float = 100.0, cells: int | None = None, state_of_charge: float = 0.9, temperature_c: float = 20.0, *,
        health: float = 1.0, resistance_factor: float = 1.0, table_offset_v: float = 0.0, self_discharge_factor: float = 1.0,
        gassing_factor: float = 1.0, seed: int = 0,
    ) -> None:  # fmt: skip
        kind = KINDS[chemistry]
        luck = Random(seed)

        def scatter(low: float, high: float) -> float:
            return luck.uniform(low, high) if seed else 1.0

        self.chemistry, self.kind = chemistry, kind
        self.cells = n = cells if cells is not None else kind.cells
        self._ah = ah = capacity_ah * health
        self.state_of_charge = state_of_charge
        """True fraction of the actual capacity, about 0 to 1."""
        self.temperature_c = temperature_c
        self.current_a = 0.0
        self.gassing_a = 0.0
        """The part of the current that went into side reactions in the last step."""
        self.frozen = False
        self.table_offset_v = table_offset_v + (luck.uniform(-0.002, 0.002) * n if seed else 0.0)
        aged = resistance_factor * scatter(0.9, 1.15)
        self._ohm, self._polar = kind.ohmic * n / ah * aged, kind.polarisation * n / ah * aged
        self._acc = kind.acceptance * n / ah * aged
        self._gas, self._gas_from_v = kind.gassing * ah * gassing_factor, 2.17 * n
        self._leak_a = ah * kind.self_discharge_month / 720 * self_discharge_factor * scatter(0.75, 1.35)
        self._c1 = 1 - kind.available
        self._gentle_a = ah * (0.02 if kind.gassing else 0.001)  # above it steps are short: a full lithium cell's voltage is steep
        self._swing = kind.hysteresis_v * n
        self._knee_v, self._empty_v = kind.knee_v * n, kind.empty_v * n
        self._heat_w_per_k = 0.03 * ah
        self._grid = [
            _between(kind.rest, i / GRID - GRID_BELOW) * n + self.table_offset_v
            for i in range(int((1 + GRID_BELOW + GRID_ABOVE) * GRID) + 2)
        ]
        self._delta = self._slow = self._build = self._hyst = 0.0
        self._dt_s = self._at_c = -1e9
        self._new_temperature(temperature_c)
        self.voltage_v = self.rest_voltage_v

    @property
    def actual_capacity_ah(self) -> float:
        return self._ah

    @property
    def rest_voltage_v(self) -> float:
        """Where the terminals would settle after an endless rest at the present temperature."""
        over = self.state_of_charge - self._knee_rest
        knee_v = self._knee_v * exp(-max(over, -0.035) / 0.02) if over < 0.15 else 0.0
        return self._rest(self.state_of_charge) + self._shift_v + self._swing * self._hyst - knee_v

    def _rest(self, fraction: float) -> float:
        x = (min(max(fraction, -GRID_BELOW), 1 + GRID_ABOVE) + GRID_BELOW) * GRID
        i = int(x)
        low = self._grid[i]
        return low + (self._grid[i + 1] - low) * (x - i)

    def draw(self, seconds: float, current_a: float, ambient_c: float) -> float:
        """Let a current flow (positive: charging). Gives the mean current that flowed: an empty battery delivers nothing."""
        longest = SHORTEST_STEP_S if abs(current_a) > 0.1 * self._ah else LONGEST_STEP_S
        if seconds <= longest:
            return self._step(seconds, current_a, 1e9, current_a, ambient_c)
        steps = int(seconds / longest) + 1
        total = 0.0
        for _ in range(steps):
            total += self._step(seconds / steps, current_a, 1e9, current_a, ambient_c)
        return total / steps

    def charge(self, seconds: float, current_limit_a: float, voltage_limit_v: float, load_a: float, ambient_c: float) -> float:
        """A charger on the same terminals as a load (load_a >= 0): constant current until the voltage limit. Gives the mean net current."""
        wanted, total, left = current_limit_a - load_a, 0.0, seconds
        while left > 1e-9:
            step_s = min(left, SHORTEST_STEP_S if abs(self.current_a) > self._gentle_a or left == seconds else LONGEST_STEP_S)
            total += self._step(step_s, wanted, voltage_limit_v, -load_a, ambient_c) * step_s
            left -= step_s
        return total / seconds if seconds > 0 else 0.0

    def _new_step(self, dt_s: float) -> None:
        kind, self._dt_s = self.kind, dt_s
        c = kind.available
        rate = self._c1 / (c * kind.lag_h)
        self._a_delta = exp(-rate * dt_s / 3600)
        self._lag = (1 - self._a_delta) / (c * rate)
        self._a_relax = exp(-dt_s / kind.relax_s)
        self._a_slow = exp(-dt_s / 3600 / kind.surface_h)
        self._a_heat = exp(-dt_s / (2.5 * 3600))

    def _new_temperature(self, celsius: float) -> None:
        kind, self._at_c = self.kind, celsius
        warmer = celsius - REFERENCE_C
        self._shift_v = kind.rest_v_per_k * warmer * self.cells
        self._r0 = self._ohm * exp(-0.014 * warmer)
        self._rc = self._acc * exp(-0.025 * warmer)
        self._knee_rest = -kind.lag_h * 0.05
        self._knee_at = self._knee_rest - kind.capacity_per_k * (celsius - 20)
        self._gas_t = self._gas * exp(0.06 * (min(celsius, 80) - 20))
        self._leak_t = self._leak_a * 2 ** ((celsius - 20) / 10)
        self.frozen = kind.gassing > 0 and celsius < -5 and celsius < _between(_FREEZES, self.state_of_charge)

    def _step(self, dt_s: float, current_a: float, limit_v: float, floor_a: float, ambient_c: float) -> float:
        """One step at this current, or at what the voltage limit leaves of it, but not below the floor (what the load draws)."""
        if dt_s != self._dt_s:
            self._new_step(dt_s)
        if abs(self.temperature_c - self._at_c) > 0.2:
            self._new_temperature(self.temperature_c)
        fraction = self.state_of_charge
        local = fraction + self._c1 * self._delta
        x = (
            (local + GRID_BELOW) * GRID
            if -GRID_BELOW < local < 1 + GRID_ABOVE
            else (0.0 if local < 0.5 else (1 + GRID_BELOW + GRID_ABOVE) * GRID)
        )
        i = int(x)
        rest = self._grid[i]
        rest += (self._grid[i + 1] - rest) * (x - i) + self._shift_v + self._swing * self._hyst
        over = local - (self._knee_at if current_a < 0 else self._knee_rest)
        if over < 0.15 and self._knee_v:
            rest -= self._knee_v * exp(-max(over, -0.035) / 0.02)
        empty = 1 - fraction
        r0 = self._r0 * (1 + 0.35 * empty * empty) * (10.0 if self.frozen else 1.0)
        held = rest + self._slow + self._build * self._a_relax
        k = 1 - self._a_relax
        gas_a = 0.0
        amps = current_a
        inner = held + k * self._polar * amps
        if amps > 0 or inner + r0 * amps > limit_v:
            headroom = 1 - local
            main = k * (
                self._polar
                + (self._rc / (headroom if headroom > HEADROOM else HEADROOM) ** self.kind.acceptance_power if self._rc else 0.0)
            )
            inner, amps, gas_a = self._charging(held, main, r0, amps, limit_v, floor_a)
            if amps <= 0:
                inner = held + k * self._polar * amps
        elif inner + r0 * amps < self._empty_v:
            amps = max(0.0, amps)
            inner = held
        if amps <= 0 and inner > self._gas_from_v and self._gas_t:
            gas_a = self._gassing(inner)
        self.voltage_v = inner + r0 * amps
        self.current_a = amps
        self.gassing_a = gas_a
        self._settle(dt_s, amps, gas_a, inner, inner - rest - self._slow, r0, ambient_c)
        return amps

    def _gassing(self, inner_v: float) -> float:
        cell = inner_v / self.cells
        return self._gas_t * (exp(11 * (cell - 2.23)) - 0.5168514) if cell > 2.17 else 0.0

    def _charging(self, held: float, main: float, r0: float, amps: float, limit_v: float, floor_a: float) -> tuple[float, float, float]:
        """Inner voltage, current and its gassing part where main branch and gassing share the current, below the voltage limit."""
        wanted, inner = amps, held + main * amps
        if inner + r0 * wanted > limit_v:  # without gassing the limit would be passed: with it, perhaps
            inner = (limit_v * main + held * r0) / (main + r0)
            if inner > self._gas_from_v and self._gas_t:
                inner = self._limited(held, main, r0, limit_v, inner)
            amps = (limit_v - inner) / r0
            if amps <= 0:
                amps = (limit_v - held) / (r0 + self._polar * (1 - self._a_relax))
                return held, max(min(amps, 0.0), min(floor_a, 0.0)), 0.0
            if amps < wanted:
                return inner, amps, self._gassing(inner) if inner > self._gas_from_v else 0.0
            inner = held + main * wanted
        if inner > self._gas_from_v and self._gas_t:
            inner = self._shared(held, main, wanted, inner)
        return inner, wanted, self._gassing(inner) if inner > self._gas_from_v else 0.0

    def _shared(self, held: float, main: float, amps: float, inner: float) -> float:
        """Inner voltage at which main branch and gassing together take this current (Newton from above: monotone and convex)."""
        per_v, scale = 11 / self.cells, self._gas_t
        inner = min(inner, self.cells * 3.2)
        for _ in range(25):
            tafel = scale * exp(per_v * inner - 24.53)
            excess = (inner - held) / main + tafel - scale * 0.5168514 - amps
            step = excess / (1 / main + per_v * tafel)
            inner -= step
            if abs(step) < 1e-4:
                break
        return inner

    def _limited(self, held: float, main: float, r0: float, limit_v: float, inner: float) -> float:
        """Inner voltage behind the ohmic part while the terminals stand at the limit."""
        per_v, scale = 11 / self.cells, self._gas_t
        for _ in range(25):
            tafel = scale * exp(per_v * inner - 24.53)
            excess = (inner - held) / main + tafel - scale * 0.5168514 - (limit_v - inner) / r0
            step = excess / (1 / main + per_v * tafel + 1 / r0)
            inner -= step
            if abs(step) < 1e-4:
                break
        return inner

    def _settle(self, dt_s: float, amps: float, gas_a: float, inner: float, polarised: float, r0: float, ambient_c: float) -> None:
        """Move every state by the step that has just been solved."""
        kind, ah = self.kind, self._ah
        hours = dt_s / 3600
        main_a = amps - gas_a - self._leak_t
        most = 1.0 if kind.gassing else 1.03
        self.state_of_charge = min(self.state_of_charge + main_a * hours / ah, most)
        self._delta = self._delta * self._a_delta + (amps - gas_a) / ah * (self._lag if amps < 0 else EASIER_IN * self._lag)
        if self._delta > 0 and self.state_of_charge + self._c1 * self._delta > most:
            self._delta = (most - self.state_of_charge) / self._c1
        slow = self._slow * self._a_slow
        if amps < 0:
            drawn = -amps * hours / ah
            slow /= 1 + 20 * drawn
            if polarised > 0:
                polarised /= 1 + 100 * drawn
        elif inner > kind.surface_from_v * self.cells:
            slow += (kind.surface_v * self.cells - slow) * (hours / (2 + hours))
        self._slow, self._build = slow, polarised
        if self._swing and amps:
            turn = abs(amps) * hours / (0.02 * ah)
            self._hyst += ((1.0 if amps > 0 else -1.0) - self._hyst) * turn / (1 + turn)
        heat_w = (
            r0 * amps * amps
            + abs(amps - gas_a) * abs(polarised)
            + gas_a * (inner if kind.recombines else max(0.0, inner - 1.48 * self.cells))
        )
        target = ambient_c + heat_w / self._heat_w_per_k
        self.temperature_c = target + (self.temperature_c - target) * self._a_heat
