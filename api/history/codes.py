"""A reading and its belief as the integers that history keeps, and back to exactly the floats that were folded. No SQL."""

from collections.abc import Iterable
from typing import Any

from analytics.assessment import Assessment
from analytics.reading import Reading

PHASES = ("resting", "discharging", "float", "bulk", "absorption", "equalisation", "pulse", "charging", "unknown")
"""The code of a charge phase is its place here: only ever add at the end."""

PHASE_CODES = {phase: code for code, phase in enumerate(PHASES)}

WIDEST = 500
BELOW, ABOVE = 16 * (WIDEST + 1), 16
"""The interval of the state of charge and the charge phase are one number, `BELOW * below + ABOVE * above + phase`.

Below and above are distances in 0.2 % (20 of history's steps), rounded outwards: a finer end of an interval means nothing,
and columns of their own would cost four bytes a reading more. The number fits into three bytes.
"""

LOW_SQL = f"soc_cpct - belief / {BELOW} * 20"
HIGH_SQL = f"soc_cpct + belief / {ABOVE} % {WIDEST + 1} * 20"
PHASE_SQL = f"belief % {ABOVE}"

Row = tuple[int, int, int, int, int | None, int | None, int | None, int | None, int]
"""battery, at_ms, sequence, voltage_mv, current_ma, temperature_dc, charge_mah, soc_cpct, belief"""


def band(soc_cpct: int | None, belief: int) -> tuple[int, int] | None:
    """The ends of the interval in 0.01 %."""
    if soc_cpct is None:
        return None
    return max(soc_cpct - belief // BELOW * 20, 0), min(soc_cpct + belief // ABOVE % (WIDEST + 1) * 20, 10_000)


def rows(pairs: Iterable[tuple[Reading, Assessment]], numbers: dict[str, int]) -> list[Row]:
    """Rows in the order of HISTORY's columns. Readings are expected on the grid (analytics.reading.on_the_grid).

    One loop and no calls but `round`: this runs once per reading of the fleet.
    """
    made: list[Row] = []
    codes, unknown = PHASE_CODES, PHASE_CODES["unknown"]
    for reading, assessment in pairs:
        battery_id, at_ms, voltage, current, temperature, charge, sequence, _, _ = reading
        _, _, _, _, _, pct, low, high, phase, _, _ = assessment
        soc, belief = None, codes.get(phase, unknown)
        if pct is not None:
            soc, below, above = round(pct * 100), WIDEST, WIDEST
            if low is not None and high is not None:
                below, above = (
                    min(max(-((round(low * 100) - soc) // 20), 0), WIDEST),
                    min(max(-((soc - round(high * 100)) // 20), 0), WIDEST),
                )
            belief += BELOW * below + ABOVE * above
        made.append(
            (
                numbers[battery_id],
                at_ms,
                sequence,
                round(voltage * 1000),
                None if current is None else round(current * 1000),
                None if temperature is None else round(temperature * 10),
                None if charge is None else round(charge * 1000),
                soc,
                belief,
            )
        )
    return made


def assessed(before: Assessment, row: Any) -> Assessment:
    """An assessment moved on by a later row (at_ms, voltage_mv, current_ma, temperature_dc, soc_cpct, belief) with a state of charge."""
    at_ms, mv, ma, dc, soc, belief = row
    ends = band(soc, belief)
    assert ends is not None
    return before._replace(
        at_ms=at_ms,
        voltage_v=mv / 1000,
        current_a=None if ma is None else ma / 1000,
        temperature_c=None if dc is None else dc / 10,
        state_of_charge_pct=soc / 100,
        state_of_charge_low_pct=ends[0] / 100,
        state_of_charge_high_pct=ends[1] / 100,
        charge_phase=PHASES[belief % ABOVE],
    )


def reading_of(battery_id: str, row: Any) -> Reading:
    """The reading exactly as it was folded: n/1000 is the float nearest to the decimal, as is round(x, 3)."""
    at_ms, sequence, mv, ma, dc, mah = row
    return Reading(
        battery_id,
        at_ms,
        mv / 1000,
        None if ma is None else ma / 1000,
        None if dc is None else dc / 10,
        None if mah is None else mah / 1000,
        sequence,
    )
