"""Long spent low at rest: time and depth below the chemistry's sulfation limit have added up since the last full charge."""

from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule, Said
from analytics.rules.wording import charge_with_interval, charging_caution, lasting
from analytics.view import View

DOSE_PCT_H = 10_000.0
"""Judgement: two weeks at 50 %, or five weeks at 68 %; recovery is doubtful after weeks below half (common practice; Hund, Sandia)."""


def judge(view: View, standing: bool) -> Judgement:
    if view.trend.exposure.depth_pct_h < DOSE_PCT_H or view.battery.kind.sulfation_pct is None:
        return None
    return Said("sulfation", "low", lambda: _finding(view))


def _finding(view: View) -> Finding:
    exposure, kind = view.trend.exposure, view.battery.kind
    assert kind.sulfation_pct is not None
    limit = kind.sulfation_pct.value
    return Finding(
        "sulfation",
        "low",
        "Long spent low: capacity is at risk",
        f"Since its last full charge the battery has spent {lasting(exposure.low_h)} below {limit:.0f} %, on average {exposure.depth_pct_h / exposure.low_h:.0f} points below. It is {charge_with_interval(view)} now.",
        f"In {kind.a_title} battery that stands low, sulphate hardens and part of the capacity is lost; the sooner it is charged, the more comes back.",
        "Charge it fully, slowly and without a break, and watch whether it still holds its charge.",
        charging_caution(view),
        (
            ("low_h", exposure.low_h),
            ("depth_pct_h", exposure.depth_pct_h),
            ("limit_pct", limit),
            ("lowest_pct", exposure.lowest_pct),
            ("lowest_ms", exposure.lowest_ms),
        ),
        kind.sulfation_pct.source,
    )


def over(view: View) -> str:
    return f"A full charge was seen; the battery is {charge_with_interval(view)}."


SULFATION = Rule("sulfation", 0, 0, judge, over)
