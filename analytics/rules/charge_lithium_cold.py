"""A lithium battery charged below freezing."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

SEEN_MS = 120_000
"""Judgement: two minutes, so that one wrong sample does not count."""
TRICKLE_C = 0.004
"""Judgement: under a 250th of the capacity per hour it is a panel in winter; makers who allow any cold charging name a twentieth or more
(common practice, no source)."""
AFTER_MS = 7 * 86_400_000
"""Judgement: told for a week, for a spell of frost brings it back every morning and is one fault."""


def judge(view: View, standing: bool) -> Judgement:
    session, battery = view.charging.session, view.battery
    if session is None or view.model.lead or session.cold_ms < SEEN_MS or session.coldest_c is None:
        return None
    if view.now_ms - session.end_ms > AFTER_MS:
        return None
    trickle = session.charge_ah is not None and session.cold_ah * 3_600_000 < TRICKLE_C * battery.rated_capacity_ah * session.cold_ms
    lowest_c = battery.kind.charge_lowest_c.value
    amount = "" if session.charge_ah is None else f", {session.cold_ah:.1f} Ah of it"
    return Finding(
        "charge_lithium_cold",
        "medium" if trickle else "high",
        "Lithium battery charged below freezing",
        f"It was charged at {session.coldest_c:.1f} °C for {telling.span_of(session.cold_ms)}{amount}; it must not be charged below "
        f"{lowest_c:.0f} °C."
        + (" It was a trickle, as from a small panel: the harm is smaller, and adds up." if trickle else "")
        + telling.doubts(battery, session),
        "Below freezing metallic lithium settles inside the cells: capacity is lost for good and the battery can become unsafe, without any sign "
        "outside. Likely cause: a charger, alternator or panel without a cold lock-out.",
        "Switch every source of charge off, the solar panel too, until the battery is warmer than 5 °C.",
        telling.caution(battery, "lithium_cold"),
        telling.evidence(
            session,
            ("coldest_c", session.coldest_c),
            ("limit_c", lowest_c),
            ("cold_minutes", round(session.cold_ms / 60_000)),
            ("cold_charge_ah", None if session.charge_ah is None else round(session.cold_ah, 2)),
        ),
        battery.kind.charge_lowest_c.source,
    )


def over(view: View) -> str:
    return "The battery has not been charged below freezing for a week."


CHARGE_LITHIUM_COLD = Rule("charge_lithium_cold", 0, 0, judge, over, "charging")
