"""High-voltage pulses into a lithium battery: a desulfation programme does nothing for it and can harm it."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

PULSES = 3
"""Judgement: fewer within an hour are wrong samples or loads."""


def judge(view: View, standing: bool) -> Judgement:
    session, battery = telling.relevant(view.charging.session, view.now_ms), view.battery
    if session is None or view.model.lead or session.pulses < PULSES or session.high_v is None:
        return None
    return Finding(
        "charge_pulsed",
        "high",
        "Lithium battery is charged in pulses",
        f"The voltage jumps up again and again, {session.pulses} times within an hour, to {session.high_v:.2f} V and more."
        + telling.doubts(battery, session),
        "These are pulses of a desulfation or maintenance programme for lead-acid. Over-voltage pulses reach the protection and the cells, and a "
        "lithium battery has nothing to desulfate. Likely cause: a charger set to lead-acid with reconditioning.",
        "Switch this charger off and use one with a lithium profile.",
        telling.caution(battery, "hot"),
        telling.evidence(session, ("pulses_within_an_hour", session.pulses), ("voltage_v", session.high_v)),
        telling.COMMON,
    )


def over(view: View) -> str:
    return "The pulses have ended."


CHARGE_PULSED = Rule("charge_pulsed", 0, 0, judge, over, "charging")
