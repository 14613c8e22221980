"""What a charge deserves to be called: a function of what was held, for how long, with what current and at what temperature.

It is the verdict table and the windows of the trade (check values, charging; common practice, 12 V figures at 25 °C) applied to the
simulated truth, and shares no code with the product. The name of a behaviour plays no part; its set-points do in one place (whether the
charger holds the battery afterwards). Where published figures disagree, some words may be said or left unsaid (`may`), but no others.
"""

from typing import NamedTuple

from simulators.charger import CHARGERS, Alternator, PulsedCharger, SolarController, StagedCharger, WhileDriving
from tests.chargers.sessions import EVERY_S, REST_S, Run, Truth

WINDOWS: dict[str, tuple[float, float, float]] = {
    # absorption low, absorption high, float high: volts for the battery at 25 °C
    "flooded": (14.4, 14.8, 13.8),
    "efb": (14.4, 14.8, 13.8),
    "agm": (14.2, 14.7, 13.8),
    "gel": (13.8, 14.4, 13.8),
    "lifepo4": (14.0, 14.6, 13.6),
}
BULK_C = {"flooded": 0.20, "efb": 0.25, "agm": 0.50, "gel": 0.30, "lifepo4": 0.50}
TAIL_C = {"flooded": 0.02, "efb": 0.02, "agm": 0.01, "gel": 0.01, "lifepo4": 0.05}
"""Largest usual charging current, and the tail current of a full battery, as a part of the capacity per hour."""
MILD, USUAL, STRONG = -0.018, -0.024, -0.030
"""Compensation for six cells: 3, 4 and 5 mV per kelvin and cell."""
OVER_V, NEAR_V = 0.08, 0.03
"""Beyond the sensor's error (10 mV, half a kelvin) a voltage is clearly above; under 30 mV it is not."""
SHORT_V, SLOW_V = 0.28, 0.12
"""More than a quarter of a volt below the window the end of the charge never goes in; from a tenth on it takes longer."""
UNCOMPENSATED_V = 0.55
"""A voltage that is right at 25 °C and only does not follow the cold is clearly short beyond half a volt."""
OVER = frozenset({"charge_over_voltage", "charge_compensation", "charge_stuck"})
SHORT = frozenset({"charge_under_voltage", "charge_compensation", "charge_stuck", "charge_over_voltage"})
HOLDS_HIGH = frozenset({"charge_stuck", "charge_over_voltage"})
HOT = frozenset({"charge_runaway", "charge_over_voltage", "charge_equalisation"})


class Expectation(NamedTuple):
    """reasons: any of these rules is the right answer; empty: nothing needs to be said. `may`: what else may be said, and `why`."""

    reasons: frozenset[str] = frozenset()
    by_voltage: bool = True
    may: frozenset[str] = frozenset()
    why: str = ""


def expectation(run: Run) -> Expectation:
    """The verdict that this charge deserves: the first clear harm, else what published figures leave open, else nothing."""
    for harm in (_cold, _hot, _current, _let_go, _equalised, _held_high, _over, _short):
        found = harm(run)
        if found is not None and found.reasons:
            return found
    open_ = [found for look in (_hot, _current, _let_go, _held_high, _over, _short) if (found := look(run)) is not None]
    may = frozenset[str]().union(*(found.may for found in open_))
    return Expectation(may=may, why="; ".join(found.why for found in open_))


def at(chemistry: str, volts: float, temperature_c: float, per_k: float = USUAL) -> float:
    """A limit at a temperature."""
    return volts + (per_k * (temperature_c - 25) if chemistry != "lifepo4" else 0.0)


def _hours(run: Run, holds: list[bool]) -> float:
    return sum(holds) * EVERY_S / 3600


def _charging(run: Run) -> list[Truth]:
    return [t for t in run.truth if t.at_s > REST_S]


def _cold(run: Run) -> Expectation | None:
    """LiFePO4 below 0 °C: damage, whatever else; a voltage shows it where it stands high."""
    if run.case.chemistry != "lifepo4" or _hours(run, [t.current_a > 0.5 and t.temperature_c < -0.8 for t in run.truth]) <= 0.1:
        return None
    strong = _hours(run, [t.voltage_v > 13.7 for t in _charging(run)]) > 0.5
    return Expectation(frozenset({"charge_lithium_cold"}), by_voltage=strong)


def _hot(run: Run) -> Expectation | None:
    """Charged at the maker's 50 °C (check values: stop at 43 °C in one text, 50 °C in another)."""
    hottest_c = max(t.temperature_c for t in run.truth)
    if hottest_c >= 52:
        return Expectation(HOT)
    return Expectation(may=HOT, why="the battery came near the 50 °C that one maker allows") if hottest_c >= 49 else None


def _current(run: Run) -> Expectation | None:
    """Far more than the usual current for minutes; or hours of next to none into a battery that is not full."""
    chemistry, most_a = run.case.chemistry, 100 * BULK_C[run.case.chemistry]
    if _hours(run, [t.current_a > 1.65 * most_a for t in run.truth]) >= 0.1:
        return Expectation(frozenset({"charge_current_high"}), by_voltage=False)
    if _hours(run, [t.current_a > 1.5 * most_a for t in run.truth]) >= 0.05:
        return Expectation(may=frozenset({"charge_current_high"}), why="one and a half times the usual current")
    charging = [t.current_a for t in _charging(run)]
    if chemistry == "lifepo4" or max(charging) > 2.0 or sum(a > 0.2 for a in charging) * EVERY_S < 15 * 3600:
        return None
    regulated = any(t.voltage_v > at(chemistry, 13.3, t.temperature_c) for t in run.truth)
    return None if regulated else Expectation(frozenset({"charge_current_low"}), by_voltage=False)


def _let_go(run: Run) -> Expectation | None:
    """A charger with stages that is done and holds nothing, or holds less than a rested battery's own voltage."""
    charger = CHARGERS[run.case.behaviour](run.case.chemistry, 100.0)
    if run.case.chemistry == "lifepo4" or not isinstance(charger, StagedCharger):
        return None
    plan = charger.profile
    if plan.float_v is not None and plan.float_v >= 13.2:
        return None
    absorbed = [t for t in _charging(run) if t.stage == "absorption"]
    done = bool(absorbed) and absorbed[-1].current_a <= 100 * TAIL_C[run.case.chemistry]
    said = frozenset({"charge_no_float"})
    if done and plan.float_v is None and not charger.returns:
        return Expectation(said, by_voltage=False)
    return Expectation(may=said | {"charge_under_voltage"}, why="it lets go, or holds too little, after a charge that may not be complete")


def _equalised(run: Run) -> Expectation | None:
    """A second, higher stage where none belongs (only flooded batteries may have one)."""
    if run.case.chemistry == "flooded" or _hours(run, [t.stage == "equalisation" for t in run.truth]) < 0.5:
        return None
    return Expectation(frozenset({"charge_equalisation", "charge_over_voltage"}))


def _held_high(run: Run) -> Expectation | None:
    """Held above the float window for most of the last half day: never let down, or down to too high a float."""
    chemistry, high_v = run.case.chemistry, WINDOWS[run.case.chemistry][2]
    if isinstance(CHARGERS[run.case.behaviour](chemistry, 100.0), PulsedCharger):
        return None  # between its pulses nothing is held
    late = sorted(t.voltage_v - at(chemistry, high_v, max(0.0, t.temperature_c)) for t in run.truth[-12 * 3600 // EVERY_S :])
    held_v = late[len(late) // 5]
    if held_v > 0.26:
        return Expectation(HOLDS_HIGH | {"charge_equalisation"} if held_v > 1.2 else HOLDS_HIGH)
    return Expectation(may=HOLDS_HIGH, why="held up to a quarter of a volt above the float window") if held_v > 0.06 else None


def _may_equalise(run: Run, t: Truth) -> bool:
    return run.case.chemistry == "flooded" and t.stage == "equalisation" and t.voltage_v <= at("flooded", 16.0, t.temperature_c)


def _over(run: Run) -> Expectation | None:
    """Above the absorption window at the battery's temperature for three quarters of an hour in all."""
    chemistry, high_v = run.case.chemistry, WINDOWS[run.case.chemistry][1]
    own = [t for t in run.truth if not _may_equalise(run, t)]
    pulsed = {"charge_pulsed"} if chemistry == "lifepo4" else set()
    if _hours(run, [t.voltage_v > at(chemistry, high_v, t.temperature_c) + OVER_V for t in own]) >= 0.75:
        return Expectation(OVER | pulsed)
    warm = [t.voltage_v > at(chemistry, high_v, t.temperature_c, STRONG if t.temperature_c > 33 else USUAL) + NEAR_V for t in own]
    if _hours(run, warm) > 0.1:
        return Expectation(
            may=OVER | pulsed, why="above the window by one published compensation and within it by another, or for minutes only"
        )
    return None


def _short(run: Run) -> Expectation | None:
    """Judged on the highest voltage held for half an hour in all: below the window, a lead-acid battery never fills."""
    chemistry, _, temperature_c, _ = run.case
    charger = CHARGERS[run.case.behaviour](chemistry, 100.0)
    if isinstance(charger, PulsedCharger) or getattr(charger, "smart", False):
        return None  # short pulses hold no voltage; that they do not fill is no harm in one session
    low_v = WINDOWS[chemistry][0]
    ranked = sorted((t.voltage_v - at(chemistry, 0.0, t.temperature_c) for t in _charging(run)), reverse=True)
    held_v = ranked[1800 // EVERY_S]
    mild_v = sorted((t.voltage_v - at(chemistry, 0.0, max(0.0, t.temperature_c), MILD) for t in _charging(run)), reverse=True)[
        1800 // EVERY_S
    ]
    short_v = low_v - held_v
    if short_v < SLOW_V and low_v - mild_v < NEAR_V:
        if low_v - ranked[5400 // EVERY_S] < SLOW_V or chemistry == "lifepo4":
            return None
        return Expectation(may=SHORT, why="the window is left again within an hour and a half")
    if chemistry == "lifepo4":
        return Expectation(may=SHORT, why="lithium is filled more slowly and never levelled, but not harmed")
    raw_v = held_v + at(chemistry, 0.0, temperature_c)
    needed_v = UNCOMPENSATED_V if raw_v >= low_v - 0.05 and temperature_c < 25 else SHORT_V
    long = not isinstance(charger, SolarController | Alternator | WhileDriving)
    stands = _hours(run, [abs(t.voltage_v - raw_v) < 0.06 for t in _charging(run)]) >= 3
    if short_v >= needed_v and stands and (long or isinstance(charger, Alternator)):
        return Expectation(SHORT)
    return Expectation(may=SHORT, why="a tenth to a quarter of a volt below the window, or not following the cold: it only takes longer")
