"""Sensor errors made anew, by seed, on a trace of clean readings: so that no estimator is judged by one draw of luck.

The kinds and sizes of error are those of the recorded sensor copies (tests/truth/README.md), and a current offset that wanders.
"""

from collections.abc import Sequence
from random import Random
from typing import NamedTuple


class Row(NamedTuple):
    """One row of a trace: what is measured and what is true."""

    time_s: float
    current_a: float
    voltage_v: float
    temperature_c: float
    soc_truth: float


def spoiled(clean: Sequence[Row], seed: int, *, volts: float = 1.0) -> list[Row]:
    """The rows as a real sensor would give them. `volts`: cells / 6."""
    dice = Random(seed)

    def either(low: float, high: float) -> float:
        return dice.choice((-1, 1)) * dice.uniform(low, high)

    gain, offset = 1 + either(0.005, 0.01), either(0.02, 0.05)
    noise_a, volt_offset = dice.uniform(0.01, 0.02), either(0.006, 0.010) * volts
    step_v, warm_offset = dice.choice((0.005, 0.010)), dice.uniform(-0.6, 0.6)
    per_k = either(0.0005, 0.0014) if dice.random() < 0.6 else 0.0
    days, step = (clean[-1].time_s - clean[0].time_s) / 86400, clean[1].time_s - clean[0].time_s
    gaps = _gaps(dice, days)
    mean_c = sum(r.temperature_c for r in clean) / len(clean)
    wander, out = 0.0, []
    for r in clean:
        wander += -wander * step / 172_800 + dice.gauss(0, 0.006) * (2 * step / 172_800) ** 0.5
        if dice.random() < 0.1 or any(a <= r.time_s < b for a, b in gaps):
            continue
        amps = r.current_a * gain + offset + wander + per_k * (r.temperature_c - mean_c)
        amps += dice.gauss(0, noise_a + 0.001 * abs(r.current_a))
        volt = r.voltage_v + volt_offset + dice.gauss(0, 0.003)
        out.append(
            Row(r.time_s, round(amps, 2), round(volt / step_v) * step_v, round(2 * (r.temperature_c + warm_offset)) / 2, r.soc_truth)
        )
    for _ in range(12):
        k = dice.randrange(1, len(out) - 10)
        out.insert(k + dice.randrange(0, 8), out[k])
    return out


def _gaps(dice: Random, days: float) -> list[tuple[float, float]]:
    """One long silence, and more where the recording is longer than a week."""
    found = []
    for _ in range(1 if days < 8 else 3):
        begin = dice.uniform(0.1, 0.85) * days * 86400
        found.append((begin, begin + dice.uniform(3, 14 if days < 30 else 72) * 3600))
    return found
