"""A rest check is overdue: nobody and nothing has seen this battery at rest for a month."""

from analytics.assessment import Finding
from analytics.care import CHECK_DAYS, DAY_MS
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import charge_with_interval, on_day
from analytics.view import View


def judge(view: View, standing: bool) -> Judgement:
    care = view.care
    since_ms = care.check_ms if care.check_ms is not None else care.first_ms
    if since_ms is None or view.now_ms - since_ms < CHECK_DAYS * DAY_MS or view.use.mode != "stored":
        return None
    kind = view.battery.kind
    known = "It has never been seen at rest" if care.check_ms is None else f"It was last seen at rest on {on_day(care.check_ms)}"
    before = "" if care.check_pct is None else f", then at {care.check_pct:.0f} %"
    return Finding(
        "check_due",
        "low",
        "The monthly check is due",
        f"{known}{before}.",
        f"A stored {kind.title} battery should not rest below {kind.storage_check_pct.value:.0f} % (12.4 V is read differently for each kind).",
        "Measure the voltage after a night without load or charge, and note it.",
        "",
        (("days", round((view.now_ms - since_ms) / DAY_MS, 1)), ("last_check_ms", care.check_ms), ("last_check_pct", care.check_pct)),
        "common practice; US Army TM 5-3820-256-24-4: check every 30 days",
    )


def over(view: View) -> str:
    return f"Checked: the battery is {charge_with_interval(view)}."


CHECK_DUE = Rule("check_due", 0, 0, judge, over)
