"""Freezing: the battery is nearly as cold as its acid's freezing point. A discharged battery freezes at ordinary winter temperatures."""

from analytics.assessment import Finding
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.rules.wording import caution, charge_evidence, charge_with_interval, charging_caution
from analytics.trend.freezing import freezing_of
from analytics.view import View

WARN_K, CLEAR_K = 4.0, 8.0
"""Judgement: the published tables agree within 3 K (check values, chapter 2), and a night falls further.
It stands for three days, so that a week of frosty nights is one alert."""
WARM_C = -5.0
"""Nothing above this can freeze: an empty battery freezes at -9.4 °C (US Army TM 5-4210-230-14&P-1, Table 2)."""


def judge(view: View, standing: bool) -> Judgement:
    span, battery = view.span, view.battery
    asked = standing or battery.coldest_expected_c is not None or view.trend.coldest_c is not None
    if not asked and (span is None or span.temperature_c is None or span.temperature_c > WARM_C):
        return None
    if battery.kind.freezing is None:
        return None
    freezing = freezing_of(view)
    if freezing is None:
        return HOLD
    if freezing.margin_k >= (CLEAR_K if standing else WARN_K):
        return None
    frozen = freezing.margin_k <= 0 and not freezing.expected
    where = "is expected to fall to" if freezing.expected else "is at"
    if frozen:
        title, advice = (
            "May be frozen: do not charge it",
            "Do not charge it. Bring it to a warm, ventilated place and look for cracks first.",
        )
    else:
        title = (
            f"Freezing is {freezing.margin_k:.0f} K away" if freezing.margin_k > 0 else f"Would freeze at {freezing.temperature_c:.0f} °C"
        )
        advice = "Charge it before the cold comes, or take it to a warmer place. If it may be frozen already, do not charge it."
    return Finding(
        "freezing",
        "high" if frozen else "medium",
        title,
        f"The battery {where} {freezing.temperature_c:.0f} °C and is {charge_with_interval(view)}; acid this weak freezes at about {freezing.point_c:.0f} °C.",
        f"The less {battery.kind.a_title} battery is charged, the sooner it freezes; ice bursts its case and ruins its plates.",
        advice,
        caution("frozen") + " " + charging_caution(view),
        (
            ("temperature_c", freezing.temperature_c),
            ("freezing_point_c", freezing.point_c),
            ("margin_k", freezing.margin_k),
            *charge_evidence(view),
            ("expected", "yes" if freezing.expected else "no"),
        ),
        battery.kind.freezing.source,
    )


def over(view: View) -> str:
    freezing = freezing_of(view)
    if freezing is None:
        return f"The battery is {charge_with_interval(view)}."
    return f"The battery is {charge_with_interval(view)}; freezing is {freezing.margin_k:.0f} K away again."


FREEZING = Rule("freezing", 1200, 72 * 3600, judge, over, "always")
