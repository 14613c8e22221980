"""What whole days really took out of the battery, from its recorded currents. A day with a long silence is left out, not guessed."""

from collections.abc import Sequence

DAY_MS = 86_400_000
LONGEST_GAP_MS = 3_600_000
"""Judgement: over more than an hour of silence a day's sum says nothing."""


def daily_out_ah(times_ms: Sequence[int], current_a: Sequence[float | None]) -> list[float]:
    """Ampere-hours out of the battery (discharging only) for each whole UTC day, oldest first. Current is positive into the battery."""
    sums: dict[int, float] = {}
    broken: set[int] = set()
    for (at_ms, amps), (then_ms, later) in zip(
        zip(times_ms, current_a, strict=True), zip(times_ms[1:], current_a[1:], strict=True), strict=False
    ):
        day = at_ms // DAY_MS
        if amps is None or later is None or then_ms - at_ms > LONGEST_GAP_MS:
            broken.update(range(day, then_ms // DAY_MS + 1))
            continue
        sums[day] = sums.get(day, 0.0) + (max(0.0, -amps) + max(0.0, -later)) / 2 * (then_ms - at_ms) / 3_600_000
    if not sums:
        return []
    first, last = times_ms[0] // DAY_MS, times_ms[-1] // DAY_MS
    if times_ms[0] % DAY_MS > LONGEST_GAP_MS:
        broken.add(first)
    if DAY_MS - times_ms[-1] % DAY_MS > LONGEST_GAP_MS:
        broken.add(last)
    return [round(total, 2) for day, total in sorted(sums.items()) if day not in broken]
