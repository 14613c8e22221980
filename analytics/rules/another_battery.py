"""Another battery seems to be in place, unannounced: its charge stepped up or down where no counted charge explains it."""

from analytics import estimate
from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import lasting, on_day
from analytics.view import View

ASKED_MS = 14 * 86_400_000
"""Judgement: a question that nobody answered in two weeks is dropped."""


def another_found(view: View) -> bool:
    """Whether this is being asked: other rules need not tell the same step."""
    swap = None if view.ageing.life is None else view.ageing.life.swap
    return swap is not None and swap.confirmed and view.now_ms - swap.to_ms <= ASKED_MS


def judge(view: View, standing: bool) -> Judgement:
    swap = None if view.ageing.life is None else view.ageing.life.swap
    if swap is None or not another_found(view):
        return None
    before_v, after_v = estimate.rest_v(view.model, swap.before_pct), estimate.rest_v(view.model, swap.after_pct)
    rose = swap.after_pct > swap.before_pct
    return Finding(
        "another_battery",
        "medium",
        "Another battery in place?",
        f"On {on_day(swap.to_ms)}, within {lasting((swap.to_ms - swap.from_ms) / 3_600_000)}, its voltage at rest went from about {before_v:.2f} V "
        f"({swap.before_pct:.0f} %) to {after_v:.2f} V ({swap.after_pct:.0f} %), and has stayed there. The current measured meanwhile does not explain it.",
        "A battery that was changed looks like this. So does "
        + ("a charge" if rose else "a load")
        + " that the current sensor does not see, or that came while nothing was heard. Capacity and resistance are being measured anew.",
        "If another battery is in place, note it as replaced and check what is declared (kind, capacity). If not, look for "
        + ("a charger" if rose else "a load")
        + " that is connected past the current sensor.",
        "",
        (("from_ms", swap.from_ms), ("to_ms", swap.to_ms), ("before_pct", swap.before_pct), ("after_pct", swap.after_pct),
         ("before_v", round(before_v, 2)), ("after_v", round(after_v, 2))),
        "judgement: a step of twelve points and five deviations beyond what was counted, standing for two hours",
    )  # fmt: skip


def over(view: View) -> str:
    return "The question whether another battery is in place is dropped: it was noted as replaced, or two weeks went by."


ANOTHER_BATTERY = Rule("another_battery", 0, 0, judge, over)
