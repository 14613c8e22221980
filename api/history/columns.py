"""From points to the columns a reader gets: widths, units and gaps. The same for every adapter, so that all tell the same story."""

from collections.abc import Sequence
from itertools import pairwise
from statistics import median_low
from typing import Any, NamedTuple

from api.history.codes import ABOVE, PHASES, band
from api.ports import Columns

GAP_FACTOR = 3
"""Judgement: silence of more than three usual intervals is a gap; two missed readings may be a bad link."""

WIDTHS_MS = tuple(
    s * 1000
    for s in (
        1,
        2,
        5,
        10,
        15,
        30,
        60,
        120,
        300,
        600,
        900,
        1800,
        3600,
        7200,
        10800,
        14400,
        21600,
        43200,
        86400,
        172800,
        604800,
        1209600,
        2592000,
    )
)
"""Widths that a person can read on an axis; longer ones are multiples of the last."""

QUANTITIES = {"voltage_v": 1000, "current_a": 1000, "temperature_c": 10, "state_of_charge_pct": 100}
"""What is joined, with the number of steps to the unit."""


class Point(NamedTuple):
    """One point: values as (mean, min, max, last) in the steps of history, None where nothing was measured."""

    at_ms: int
    voltage: tuple[float, int, int] | None
    current: tuple[float, int, int] | None
    temperature: tuple[float, int, int] | None
    soc: tuple[float, int, int] | None
    ends: tuple[int, int] | None
    phase: int


def check_asked(from_ms: int, to_ms: int, points: int) -> None:
    """Raises ValueError where the stretch is empty or no point is allowed."""
    if to_ms <= from_ms:
        raise ValueError(f"to_ms = {to_ms}: expected a time after from_ms = {from_ms}")
    if points < 1:
        raise ValueError(f"points = {points}: expected at least 1")


def width_ms(from_ms: int, to_ms: int, points: int) -> int:
    """The narrowest width with which [from, to) needs at most so many points, counted from multiples of the width."""
    for width in WIDTHS_MS:
        if buckets(from_ms, to_ms, width) <= points:
            return width
    longest = WIDTHS_MS[-1]
    width = longest * max(1, -(-(to_ms - from_ms) // (longest * max(1, points))))
    while buckets(from_ms, to_ms, width) > max(1, points) and width < 1 << 62:
        width += longest
    return width


def buckets(from_ms: int, to_ms: int, width: int) -> int:
    return 0 if to_ms <= from_ms else (to_ms - 1) // width - from_ms // width + 1


def gaps(times: Sequence[int]) -> list[int]:
    """Indices before which there was silence."""
    if len(times) < 3:
        return []
    steps = [later - earlier for earlier, later in pairwise(times)]
    longest = GAP_FACTOR * median_low(steps)
    return [index + 1 for index, step in enumerate(steps) if step > longest]


def raw_columns(rows: Sequence[Any]) -> Columns:
    """Rows of history (at_ms, voltage_mv, current_ma, temperature_dc, charge_mah, soc_cpct, belief), one point each."""
    bands = [band(r[5], r[6]) for r in rows]
    values: dict[str, list[float | None]] = {
        "voltage_v": [r[1] / 1000 for r in rows],
        "current_a": [None if r[2] is None else r[2] / 1000 for r in rows],
        "temperature_c": [None if r[3] is None else r[3] / 10 for r in rows],
        "charge_ah": [None if r[4] is None else r[4] / 1000 for r in rows],
        "state_of_charge_pct": [None if r[5] is None else r[5] / 100 for r in rows],
        "state_of_charge_low_pct": [None if b is None else b[0] / 100 for b in bands],
        "state_of_charge_high_pct": [None if b is None else b[1] / 100 for b in bands],
    }
    return _with_gaps([r[0] for r in rows], None, values, [PHASES[r[6] % ABOVE] for r in rows])


def joined_columns(points: Sequence[Point], every_ms: int) -> Columns:
    """Joined points, each at the beginning of its width; `x` is the mean, `x_min` and `x_max` its extremes."""
    values: dict[str, list[float | None]] = {}
    quantities = ([p.voltage for p in points], [p.current for p in points], [p.temperature for p in points], [p.soc for p in points])
    for (name, steps), of in zip(QUANTITIES.items(), quantities, strict=True):
        values[name] = [None if v is None else round(v[0] / steps, 4) for v in of]
        values[f"{name}_min"] = [None if v is None else v[1] / steps for v in of]
        values[f"{name}_max"] = [None if v is None else v[2] / steps for v in of]
    values["state_of_charge_low_pct"] = [None if p.ends is None else p.ends[0] / 100 for p in points]
    values["state_of_charge_high_pct"] = [None if p.ends is None else p.ends[1] / 100 for p in points]
    return _with_gaps([p.at_ms for p in points], every_ms, values, [PHASES[p.phase] for p in points])


def _with_gaps(times: list[int], every_ms: int | None, values: dict[str, list[float | None]], phases: list[str | None]) -> Columns:
    """A row of None just after the last point before each silence, so that no line is drawn over it."""
    for index in reversed(gaps(times)):
        times.insert(index, times[index - 1] + (every_ms or 1))
        phases.insert(index, None)
        for column in values.values():
            column.insert(index, None)
    return Columns(times, every_ms, values, phases)
