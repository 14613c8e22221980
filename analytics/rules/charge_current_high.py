"""More charging current than the battery should take. Only a current sensor can show it."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

LENIENT = 1.6
"""Judgement: the trade's bands are for long life; an alternator gives half as much again for a while without harm."""


def judge(view: View, standing: bool) -> Judgement:
    session, battery = telling.relevant(view.charging.session, view.now_ms), view.battery
    if session is None or session.charge_ah is None:
        return None
    own = battery.charge_window.max_charge_current_a
    usual_a = battery.kind.bulk_current_c.high * battery.rated_capacity_ah if own is None else own
    limit_a = usual_a * (LENIENT if own is None else 1.05) * (1 + 1.5 * battery.sensor.current_gain_pct / 100)
    if session.peak_a is None or session.peak_a <= limit_a:
        return None if session.over or session.absorption_ms > 0 or not standing else HOLD
    part = session.peak_a / battery.rated_capacity_ah
    return Finding(
        "charge_current_high",
        "medium" if battery.kind.lead_acid else "high",
        "Charging current too high",
        f"{session.peak_a:.0f} A lasted for minutes; that is {100 * part:.0f} % of the capacity per hour, and this battery should be charged "
        f"with {usual_a:.0f} A at most." + telling.doubts(battery, session),
        "Too much current heats the battery and ages its plates or cells. Likely cause: a charger or alternator too big for this battery, "
        "or a capacity declared too small.",
        "Limit the charger's current, or charge through a charger made for this size of battery.",
        telling.caution(battery, "hot"),
        telling.evidence(session, ("current_a", session.peak_a), ("limit_a", round(usual_a, 1)), ("hottest_c", session.hottest_c)),
        telling.source_of(battery, own, battery.kind.bulk_current_c.source),
    )


def over(view: View) -> str:
    return "The last charge kept to the current that this battery takes."


CHARGE_CURRENT_HIGH = Rule("charge_current_high", 0, 0, judge, over, "charging")
