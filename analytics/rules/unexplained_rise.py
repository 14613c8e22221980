"""The rest voltage rose by itself: another battery, or a charge that nobody saw. Named, and the trend begun anew instead of averaged."""

from analytics.assessment import Finding
from analytics.rules.another_battery import another_found
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import charge_with_interval, on_day
from analytics.view import View

DAY_MS = 86_400_000
DAYS = 14
"""Judgement: a question that nobody answered in two weeks is dropped."""


def judge(view: View, standing: bool) -> Judgement:
    changed_ms = view.trend.changed_ms
    if changed_ms is None or view.now_ms - changed_ms > DAYS * DAY_MS:
        return None
    if another_found(view):
        return None  # said there, with its figures
    span = view.span
    return Finding(
        "unexplained_rise",
        "low",
        "Another battery, or an unseen charge?",
        f"The voltage at rest rose by {on_day(changed_ms)} without a charge in the data. The battery is {charge_with_interval(view)} now.",
        "What was learned about the fall of its voltage no longer holds and has been dropped; it is being learned anew.",
        "If another battery is in place, note it as replaced, so that capacity and resistance are learned anew too.",
        "",
        (("changed_ms", changed_ms), ("voltage_v", None if span is None else round(span.voltage_last_v, 3))),
        "judgement: a rise worth 15 % of charge from one day to the next without a charge",
    )


def over(view: View) -> str:
    return f"The battery is {charge_with_interval(view)}; its trend is being learned anew."


UNEXPLAINED_RISE = Rule("unexplained_rise", 0, 0, judge, over)
