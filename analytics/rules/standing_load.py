"""Something was left on: a current that never stops, measured at rest, with since when and how many days are left."""

from analytics.assessment import Finding, Load
from analytics.rules.rule import HOLD, Judgement, Rule, Said
from analytics.rules.wording import amperes, charge_evidence, charge_with_interval, lasting, on_day
from analytics.trend.forecast import days_until
from analytics.trend.level import charge_of
from analytics.view import View

HOUR_MS = 3_600_000
STORED_C = 0.001
"""Fraction of the rated capacity per hour. 100 mA of 100 Ah empties a stored battery from 95 to 50 % in 18 days (check values, chapter 6)."""
IN_USE_C = 0.02
"""Judgement: on a trip only a load that could have been a lamp row or a fridge on the battery counts, without a break for `IN_USE_H`."""
STORED_H, IN_USE_H = 24, 8


def days_left(view: View, load: Load) -> float | None:
    """Days until the safe limit at this load and the chemistry's self-discharge; None while the charge is not known."""
    charge = charge_of(view)
    if charge is None:
        return None
    room_pct = max(0.0, charge[0] - view.battery.limit_pct)
    own = view.battery.kind.self_discharge_pct_per_month.value
    return days_until(room_pct, load.current_a, view.model.capacity_ah, own)


def judge(view: View, standing: bool) -> Judgement:
    load = view.trend.load
    if load is None or load.basis != "current":
        return None
    stored = view.use.mode == "stored"
    least_a = (STORED_C if stored else IN_USE_C) * view.battery.rated_capacity_ah
    if (load.current_a if standing else load.low_a) < (0.7 if standing else 1.0) * least_a:
        return None
    if view.now_ms - load.since_ms < (STORED_H if stored else IN_USE_H) * HOUR_MS:
        return None
    if view.ticked:
        return HOLD
    priority = "medium" if load.low_a >= IN_USE_C * view.battery.rated_capacity_ah else "low"
    return Said("standing_load", priority, lambda: _finding(view, load, priority))


def _finding(view: View, load: Load, priority: str) -> Finding:
    left = days_left(view, load)
    limit = f"{view.battery.limit_pct:.0f} %"
    remaining = (
        ""
        if left is None
        else f" That leaves about {lasting(24 * left)} until {limit}."
        if left
        else f" The limit of {limit} is passed already."
    )
    error_a = (load.high_a - load.low_a) / 2
    return Finding(
        "standing_load",
        priority,
        f"{amperes(load.current_a)} taken all the time",
        f"{amperes(load.current_a)} (give or take {amperes(error_a)}) has flowed out without a break since {on_day(load.since_ms)}.{remaining}",
        f"The battery is {charge_with_interval(view)}. A load that never stops empties a parked {view.battery.kind.title} battery unseen.",
        "Look for what was left on: fridge, lamp, inverter, amplifier, tracker. Switch it off or disconnect the battery.",
        "",
        (
            ("standing_load_a", load.current_a),
            ("standing_load_low_a", load.low_a),
            ("standing_load_high_a", load.high_a),
            ("since_ms", load.since_ms),
            ("days_left", None if left is None else round(left, 1)),
            *charge_evidence(view),
        ),
        "judgement: 100 mA of 100 Ah leaves 18 days from 95 to 50 %",
    )


def over(view: View) -> str:
    return f"The load has stopped; the battery is {charge_with_interval(view)}."


STANDING_LOAD = Rule("standing_load", 3600, 2 * 3600, judge, over)
