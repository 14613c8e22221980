"""Seeded weeks on the project's own simulated battery: every chemistry, aged to 60 % of rated, offsets to ±100 mA."""

from math import pi, sin
from random import Random
from typing import NamedTuple

from analytics.battery import Battery, Sensor
from simulators.battery import KINDS, SimulatedBattery
from simulators.charger import StagedCharger, profile
from tests.score.remade import Row
from tests.score.scoring import Score, scored

STEP_S = 60.0
HOURS = 168


class Week(NamedTuple):
    """One week: what its owner declares, what the sensor said, and how worn the battery was."""

    battery: Battery
    rows: list[Row]
    health: float
    offset_a: float


def week(seed: int, hours: int = HOURS) -> Week:
    """A week of use: a standing load, a fridge that cycles, evenings, bursts, and a charge on some days."""
    dice = Random(seed)
    chemistry = sorted(KINDS)[seed % len(KINDS)]
    health, offset_a = dice.uniform(0.60, 1.05), dice.uniform(-0.10, 0.10)
    start, at_c = dice.uniform(0.5, 1.0), dice.uniform(0, 25)
    real = SimulatedBattery(chemistry, 100.0, state_of_charge=start, temperature_c=at_c, health=health, seed=seed)
    owner = Battery(
        f"week-{seed}",
        chemistry,
        100.0,
        cells=real.cells,
        rest_voltage_table=_table(real) if seed % 2 else None,
        initial_state_of_charge_pct=100 * start if seed % 3 else None,
        sensor=Sensor(1.0, 0.05, 0.01),
    )
    standing, fridge, evening = dice.uniform(0.02, 0.4), dice.uniform(2, 4), dice.uniform(1, 6)
    plugged = {day for day in range(7) if dice.random() < 0.45}
    gain, volt_offset = 1 + dice.uniform(-0.01, 0.01), dice.uniform(-0.01, 0.01)
    charger, rows = None, []
    for k in range(int(hours * 3600 / STEP_S)):
        hour = k * STEP_S / 3600
        of_day, day = hour % 24, int(hour // 24)
        ambient_c = at_c + 5 * sin(2 * pi * (of_day - 9) / 24)
        load_a = standing + (fridge if (k // 12) % 3 == 0 else 0.0) + (evening if 18 <= of_day < 22 else 0.0)
        if dice.random() < 0.002:
            load_a += dice.uniform(20, 80)
        if real.state_of_charge < 0.15:
            load_a = standing
        if day in plugged and 8 <= of_day < 20:
            charger = charger or StagedCharger(profile(chemistry, 100.0))
            amps = charger.step(real, k * STEP_S, STEP_S, load_a, ambient_c)
        else:
            charger = None
            amps = real.draw(STEP_S, -load_a, ambient_c)
        if dice.random() < 0.05:
            continue
        rows.append(Row(
            (k + 1) * STEP_S, round(amps * gain + offset_a + dice.gauss(0, 0.015), 2), round(real.voltage_v + volt_offset + dice.gauss(0, 0.003), 2),
            round(2 * real.temperature_c) / 2, real.state_of_charge,
        ))  # fmt: skip
    return Week(owner, rows, health, offset_a)


def _table(real: SimulatedBattery) -> tuple[tuple[float, float], ...]:
    """What an owner's own table would say: the simulated curve at ten places."""
    fresh = SimulatedBattery(real.chemistry, 100.0, real.cells, temperature_c=25.0)
    found = []
    for pct in (0, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 100):
        fresh.state_of_charge = pct / 100
        found.append((float(pct), fresh.rest_voltage_v))
    return tuple(found)


def print_weeks(count: int) -> None:
    """The coverage table over that many weeks."""
    found: dict[str, list[Score]] = {}
    for seed in range(1, count + 1):
        w = week(seed)
        kind = f"{w.battery.chemistry}, {'own table' if w.battery.rest_voltage_table else 'published table'}"
        found.setdefault(kind, []).append(scored(w.battery, w.rows))
    print(f"\n{count} simulated weeks{'':31}{'n':>4}{'RMSE':>8}{'worst':>8}{'max':>8}{'least':>8}{'cover':>8}{'width':>8}{'lost':>6}")
    for kind, scores in sorted(found.items()):
        n = len(scores)
        print(
            f"  {kind:42}{n:4}{sum(s.rmse for s in scores) / n:8.2f}{max(s.rmse for s in scores):8.2f}{max(s.worst for s in scores):8.1f}"
            f"{min(s.cover_pct for s in scores):8.1f}{sum(s.cover_pct for s in scores) / n:8.1f}{sum(s.width for s in scores) / n:8.1f}"
            f"{sum(not s.end_covered for s in scores):6}"
        )
