"""How long a charge lasts at a constant current: Peukert's law, for runtime only and never for counting.

Doerffel & Sharkh, J. Power Sources 155 (2006) 395-400: Peukert's equation predicts nothing unless current and temperature stay constant.
Written in its rated-hour form, t = H (C / (I H))^n. The form t = C / I^n with C at the 20 h rate, printed here and there, is wrong: it
gives 14.5 h instead of 20 h at the rated current.
"""

from math import inf, log


def runtime_h(capacity_ah: float, rated_hours: float, current_a: float, exponent: float) -> float:
    """Hours to empty from full at a constant discharge current.

    `capacity_ah` > 0 at the rate of `rated_hours` > 0; `current_a` >= 0 out of the battery; `exponent` >= 1. Endless at no current.
    """
    if capacity_ah <= 0 or rated_hours <= 0 or current_a < 0 or exponent < 1:
        raise ValueError("runtime: expected capacity and hours above 0, current 0 or more, exponent 1 or more")
    if current_a == 0:
        return inf
    return float(rated_hours * (capacity_ah / (current_a * rated_hours)) ** exponent)


def delivered_ah(capacity_ah: float, rated_hours: float, current_a: float, exponent: float) -> float:
    """Ampere-hours from full to empty at a constant discharge current above 0."""
    return current_a * runtime_h(capacity_ah, rated_hours, current_a, exponent)


def rated_current_a(capacity_ah: float, rated_hours: float, current_a: float, exponent: float) -> float:
    """The current that, at the rated capacity, empties a battery as fast as `current_a` really does."""
    rated_a = capacity_ah / rated_hours
    return float(rated_a * (current_a / rated_a) ** exponent)


def exponent_of(first_ah: float, first_h: float, second_ah: float, second_h: float) -> float:
    """Peukert's exponent from two ratings, such as 100 Ah in 20 h and 80 Ah in 5 h."""
    return log(first_h / second_h) / log((second_ah / second_h) / (first_ah / first_h))
