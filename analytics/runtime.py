"""How long a charge lasts at a constant current: Peukert's law, for runtime only and never for counting.

Doerffel & Sharkh, J. Power Sources 155 (2006) 395-400: Peukert's equation predicts nothing unless current and temperature stay constant.
Written in its rated-hour form, t = H (C / (I H))^n. The form t = C / I^n with C at the 20 h rate, printed here and there, is wrong: it
gives 14.5 h instead of 20 h at the rated current.
"""

from math import inf


def runtime_h(capacity_ah: float, rated_hours: float, current_a: float, exponent: float) -> float:
    """Hours to empty from full at a constant discharge current.

    `capacity_ah` > 0 at the rate of `rated_hours` > 0; `current_a` >= 0 out of the battery; `exponent` >= 1. Endless at no current.
    """
    if capacity_ah <= 0 or rated_hours <= 0 or current_a < 0 or exponent < 1:
        raise ValueError("runtime: expected capacity and hours above 0, current 0 or more, exponent 1 or more")
    if current_a == 0:
        return inf
    return float(rated_hours * (capacity_ah / (current_a * rated_hours)) ** exponent)
