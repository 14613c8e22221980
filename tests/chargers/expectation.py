"""What a charge deserves to be called, from the truth and the trade's table alone. It shares no code with the product.

The windows are those of the check values (common practice, 12 V figures at 25 °C, -4 mV per kelvin and cell where lead-acid);
where a charge is neither clearly right nor clearly wrong (within a tenth or a quarter of a volt of an edge) it is not scored.
"""

from typing import NamedTuple

from simulators.charger import SET_POINTS
from tests.chargers.sessions import EVERY_S, REST_S, Run

WINDOWS: dict[str, tuple[float, float, float]] = {
    # absorption low, absorption high, float high: volts for the battery at 25 °C, common practice
    "flooded": (14.4, 14.8, 13.8),
    "efb": (14.4, 14.8, 13.8),
    "agm": (14.2, 14.7, 13.8),
    "gel": (13.8, 14.4, 13.8),
    "lifepo4": (14.0, 14.6, 13.6),
}
COMPENSATION_V_PER_K = -0.024
OVER_V = 0.08
"""Beyond the sensor's error (10 mV, half a kelvin) a voltage is clearly above."""
LOW_V, UNCOMPENSATED_V = 0.28, 0.55
"""More than a quarter of a volt below the window the end of the charge never goes in; a tenth only takes longer. A voltage that is right at 25 °C
and only does not follow the cold is scored beyond half a volt: between, many sound chargers lie."""
PULSED = ("pulsed maintenance", "smart alternator", "desulfation")
"""Between their pulses nothing is held."""


class Expectation(NamedTuple):
    """reasons: any of these rules is the right answer; empty: nothing may be flagged; None: not scored. `by_voltage`: a voltage shows it."""

    reasons: frozenset[str] | None
    by_voltage: bool = True


RIGHT = Expectation(frozenset())
OPEN = Expectation(None)


def expectation(run: Run) -> Expectation:
    """The verdict that this charge deserves."""
    chemistry, behaviour, _, _ = run.case
    cold = _cold(run)
    if cold is not None:
        return cold
    hottest_c = max(t.temperature_c for t in run.truth)
    if hottest_c >= 52:
        return Expectation(frozenset({"charge_runaway", "charge_over_voltage", "charge_equalisation"}))
    named = _by_behaviour(chemistry, behaviour)
    if hottest_c >= 49 and not (named and named.reasons):
        return OPEN  # a charge at 50 °C deserves a warning, whatever the charger
    if named is not None:
        return named
    low = _low(run)
    if low is not None and low.reasons:
        return low
    floating = None if behaviour in PULSED else _floating_high(run)
    if floating is not None:
        return floating
    over_h, near_h = _hours_over(run, OVER_V), _hours_over(run, 0.03)
    if over_h >= 0.75:
        return Expectation(frozenset({"charge_over_voltage", "charge_compensation", "charge_stuck"} | _pulsed(chemistry, behaviour)))
    if low is not None:
        return low
    warm = chemistry != "lifepo4" and max(t.temperature_c for t in run.truth) > 33
    strict = [t.voltage_v > at(chemistry, WINDOWS[chemistry][1], t.temperature_c) - 0.006 * (t.temperature_c - 25) for t in run.truth]
    if warm and sum(strict) * EVERY_S > 1200:
        return OPEN  # above with the strongest published compensation, below with the usual
    return OPEN if near_h > 0.1 and behaviour != "mains right" else RIGHT


def _cold(run: Run) -> Expectation | None:
    if run.case.chemistry != "lifepo4":
        return None
    hours = sum(t.current_a > 0.5 and t.temperature_c < -0.8 for t in run.truth) * EVERY_S / 3600
    strong = sum(t.voltage_v > 13.7 for t in run.truth if t.at_s > REST_S) * EVERY_S > 1800
    return Expectation(frozenset({"charge_lithium_cold"}), by_voltage=strong) if hours > 0.1 else None


def _by_behaviour(chemistry: str, behaviour: str) -> Expectation | None:
    lead = chemistry != "lifepo4"
    if behaviour == "stuck in absorption":
        return Expectation(frozenset({"charge_stuck"}))
    if behaviour == "float too high":
        return Expectation(frozenset({"charge_stuck", "charge_over_voltage"}))
    if behaviour == "too strong":
        return Expectation(frozenset({"charge_current_high"}), by_voltage=False)
    if behaviour == "too weak":
        return Expectation(frozenset({"charge_current_low"}), by_voltage=False) if lead else RIGHT
    if behaviour == "no float":
        return Expectation(frozenset({"charge_no_float"}), by_voltage=False) if lead else RIGHT
    if behaviour == "mains with equalisation" and chemistry != "flooded":
        return Expectation(frozenset({"charge_equalisation", "charge_over_voltage"}))
    if behaviour == "mains with equalisation":
        return RIGHT
    if behaviour in ("absorption too short", "float too low"):
        return OPEN  # shows only over several charges, or not in the voltage of one
    return None


def _pulsed(chemistry: str, behaviour: str) -> set[str]:
    return {"charge_pulsed"} if behaviour == "desulfation" and chemistry == "lifepo4" else set()


def at(chemistry: str, volts: float, temperature_c: float) -> float:
    """A limit at a temperature."""
    return volts + (COMPENSATION_V_PER_K * (temperature_c - 25) if chemistry != "lifepo4" else 0.0)


def _hours_over(run: Run, beyond_v: float) -> float:
    chemistry = run.case.chemistry
    high_v = WINDOWS[chemistry][1]
    return sum(t.voltage_v > at(chemistry, high_v, t.temperature_c) + beyond_v for t in run.truth) * EVERY_S / 3600


def _floating_high(run: Run) -> Expectation | None:
    """Held above the float window for most of a day."""
    chemistry = run.case.chemistry
    high_v = WINDOWS[chemistry][2]
    late = [t.voltage_v - at(chemistry, high_v, max(0.0, t.temperature_c)) for t in run.truth[-12 * 3600 // EVERY_S :]]
    held_v = sorted(late)[len(late) // 5]
    if held_v > 0.26:
        return Expectation(frozenset({"charge_stuck", "charge_over_voltage"}))
    return OPEN if held_v > 0.06 else None


def _low(run: Run) -> Expectation | None:
    """Judged on the highest voltage that was held for half an hour in all: below the window, the battery never fills."""
    chemistry, behaviour, temperature_c, _ = run.case
    charging = sorted((t.voltage_v - at(chemistry, 0.0, t.temperature_c) for t in run.truth if t.at_s > REST_S), reverse=True)
    held_v = charging[1800 // EVERY_S]
    short_v = WINDOWS[chemistry][0] - held_v
    held_raw_v = held_v + at(chemistry, 0.0, temperature_c)
    regulated = behaviour not in ("solar", "solar set too high")
    if short_v < 0.12 or behaviour in PULSED:
        return None  # short pulses hold no voltage; that they do not fill is no harm in one session
    if chemistry == "lifepo4":
        return OPEN  # slower and never levelled, but not harmed
    needed_v = UNCOMPENSATED_V if held_raw_v >= WINDOWS[chemistry][0] - 0.05 and temperature_c < 25 else LOW_V
    if not regulated or short_v < needed_v or held_raw_v < SET_POINTS[chemistry][1] - 0.3:
        return OPEN
    return Expectation(frozenset({"charge_under_voltage", "charge_compensation", "charge_stuck", "charge_over_voltage"}))
