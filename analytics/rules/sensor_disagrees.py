"""An anchor contradicts what was believed by more than belief allows: a wrong count, voltmeter or declaration, or another battery."""

from analytics.assessment import Finding
from analytics.rules.another_battery import another_found
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import charge_evidence, charge_with_interval, on_day
from analytics.view import View

BEYOND_SD = 4.0
"""Standard deviations: beyond it, chance is no explanation (one in fifteen thousand)."""
LEAST_PCT = 8.0
"""Judgement: a smaller correction is not worth a person's time."""
OFF_DELAY_S = 72 * 3600
"""Judgement: count and voltage that contradict each other do so at every second rest for weeks; one contradiction is told once."""
KINDS = {
    "rest": "the voltage at rest",
    "full": "a full charge",
    "gap": "the first voltage after a silence",
    "check": "the voltage measured by hand",
}


def judge(view: View, standing: bool) -> Judgement:
    anchor = view.belief.anchor
    if anchor is None or anchor.kind not in KINDS or anchor.before_pct is None:
        return None
    moved = anchor.after_pct - anchor.before_pct
    if abs(anchor.surprise) < BEYOND_SD or abs(moved) < LEAST_PCT:
        return None
    if another_found(view):
        return None  # the same step, named for what it looks like
    typed, counted = anchor.kind == "check", view.span is None or view.span.current_a is not None
    if moved > 0 and not (typed or counted):
        return None  # nobody counted: such a rise is asked about as another battery, or a charge unseen
    before = "the sensor" if typed else "the charge counted by the current sensor" if counted else "what was seen until then"
    return Finding(
        "sensor_disagrees",
        "medium",
        "Voltmeter and sensor contradict each other" if typed else f"{'Count and voltage' if counted else 'Its voltages'} contradict each other",
        f"On {on_day(anchor.at_ms)} {KINDS[anchor.kind]} said {anchor.after_pct:.0f} %, "
        f"{before} said {anchor.before_pct:.0f} %: too far apart to be chance.",
        f"The battery is taken to be {charge_with_interval(view)}. Another battery, another chemistry than declared, a load past the shunt "
        "or a faulty sensor would explain it.",
        ("Measure again, at rest and across the battery's own terminals, and compare with what the sensor shows. " if typed else "")
        + "Check what is declared (chemistry, capacity, sign of the current); if the battery was changed, note it.",
        "",
        (("anchor", anchor.kind), ("anchored_ms", anchor.at_ms), ("before_pct", round(anchor.before_pct, 1)),
         ("after_pct", round(anchor.after_pct, 1)), ("surprise_sd", round(anchor.surprise, 1)), *charge_evidence(view)),
        "judgement: four standard deviations of the belief itself",
    )  # fmt: skip


def over(view: View) -> str:
    return f"Count and voltage agree again; the battery is {charge_with_interval(view)}."


SENSOR_DISAGREES = Rule("sensor_disagrees", 0, OFF_DELAY_S, judge, over)
