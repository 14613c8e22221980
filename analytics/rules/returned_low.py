"""Put away after a trip without a charge, perhaps with something left on."""

from analytics.assessment import Finding
from analytics.care import DAY_MS, RETURNED_PCT
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import amperes, charge_evidence, charge_with_interval, charging_caution, on_day
from analytics.view import View

LITHIUM_PCT = 30.0
"""Judgement: LiFePO4 is stored at 40 to 60 %; ten points below that it should be charged before storage."""
DAYS = 14
"""Judgement: after two weeks the storage rules have taken over."""


def judge(view: View, standing: bool) -> Judgement:
    care, kind = view.care, view.battery.kind
    if care.returned_ms is None or care.returned_pct is None or view.use.mode != "stored":
        return None
    enough = RETURNED_PCT if kind.lead_acid else LITHIUM_PCT
    if care.returned_pct >= enough or view.now_ms - care.returned_ms > DAYS * DAY_MS:
        return None
    if care.charging_h > 0 or (care.charge_ms is not None and care.charge_ms > care.returned_ms):
        return None
    load = view.trend.load
    left_on = load is not None and load.basis == "current" and load.low_a > 0.001 * view.battery.rated_capacity_ah
    too = f", and {amperes(load.current_a)} is still taken from it" if load is not None and left_on else ""
    return Finding(
        "returned_low",
        "low",
        f"Put away at {care.returned_pct:.0f} %",
        f"The trip ended by {on_day(care.returned_ms)} with the battery at {care.returned_pct:.0f} %{too}. It is {charge_with_interval(view)} now.",
        f"{kind.a_title_first} battery is stored full: at rest below 80 % its plates harden."
        if kind.lead_acid
        else f"{kind.a_title_first} battery is stored at 40 to 60 %.",
        "Charge it before it is left alone, and switch off what was left on.",
        charging_caution(view),
        (
            ("returned_pct", care.returned_pct),
            ("returned_ms", care.returned_ms),
            ("standing_load_a", load.current_a if load is not None and left_on else None),
            *charge_evidence(view),
        ),
        "common practice: charge before and after each use; sulfation from 80 % down (public battery FAQ)",
    )


def over(view: View) -> str:
    return f"The battery is {charge_with_interval(view)}."


RETURNED_LOW = Rule("returned_low", 3600, 3600, judge, over)
