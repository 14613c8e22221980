"""A charge so weak that it does not get anywhere while the battery stands partly empty. Only a current sensor can show it."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

WEAK = 0.02
"""Judgement: a fiftieth of the capacity needs more than two days for a full charge; the trade's lower end is a tenth."""
LONG_MS = 10 * 3_600_000


def judge(view: View, standing: bool) -> Judgement:
    session, battery = telling.relevant(view.charging.session, view.now_ms), view.battery
    if session is None or session.charge_ah is None or not view.model.lead:
        return None
    weak_a = WEAK * battery.rated_capacity_ah
    lasting = session.bulk_ms >= LONG_MS and session.absorption_ms + session.float_ms + session.equalisation_ms == 0
    if not lasting or session.peak_a is None or session.peak_a > weak_a or view.high_pct is None or view.high_pct > 90:
        return None
    return Finding(
        "charge_current_low",
        "low",
        "Charging current too low to fill it",
        f"After {telling.span_of(session.bulk_ms)} of charging no more than {session.peak_a:.1f} A has flowed, and the battery is still at about "
        f"{view.pct or 0:.0f} %." + telling.doubts(battery, session),
        f"At this rate a full charge takes days, and a lead-acid battery left partly charged sulfates. The trade charges with "
        f"{battery.kind.bulk_current_c.low * battery.rated_capacity_ah:.0f} A or more. Likely cause: a maintainer or small panel used as a charger.",
        "Charge it once with a charger of the right size; keep the small one for holding it full.",
        telling.caution(battery),
        telling.evidence(
            session, ("current_a", session.peak_a), ("usual_least_a", battery.kind.bulk_current_c.low * battery.rated_capacity_ah)
        ),
        battery.kind.bulk_current_c.source,
    )


def over(view: View) -> str:
    return "The charge has got further, or has ended."


CHARGE_CURRENT_LOW = Rule("charge_current_low", 0, 0, judge, over, "charging")
