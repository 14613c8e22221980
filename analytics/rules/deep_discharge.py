"""Deeply discharged: the end-of-discharge voltage under an ordinary load, or half of the safe limit. Said at once."""

from analytics.assessment import Finding
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.rules.wording import caution, charge_evidence, charge_with_interval, charging_caution
from analytics.trend.level import charge_of, is_charging
from analytics.view import View

VOLTAGE_ONLY_MS = 300_000
"""Judgement: without a current the voltage must stay down for five minutes; a mover runs shorter."""
CLEAR_PCT = 10.0


def judge(view: View, standing: bool) -> Judgement:
    span, eod_ms, charge = view.span, view.trend.eod_ms, charge_of(view)
    pct, high = (None, None) if charge is None else (charge[0], charge[2])
    limit = view.battery.limit_pct / 2
    if eod_ms is None and pct is not None and pct >= limit + (CLEAR_PCT if standing else 0.0):
        return None
    if span is None or view.ticked:
        return HOLD
    ended = eod_ms is not None and (span.current_a is not None or view.now_ms - eod_ms >= VOLTAGE_ONLY_MS)
    if not ended:
        if pct is None or is_charging(view):
            return HOLD
        sure = high is not None and high < view.battery.limit_pct
        if pct >= limit + (CLEAR_PCT if standing else 0.0):
            return None
        if not sure:
            return HOLD
    return _finding(view, ended)


def _finding(view: View, ended: bool) -> Finding:
    span, kind = view.span, view.battery.kind
    assert span is not None
    end_v = kind.end_of_discharge_v.value * view.battery.cells
    if ended:
        seen = f"The voltage stands at {span.voltage_v:.2f} V under load, below the end of discharge of {end_v:.2f} V."
    else:
        seen = f"The battery is {charge_with_interval(view)}: less than half of the safe limit is left."
    if kind.lead_acid:
        meaning = f"{kind.a_title_first} battery left like this is damaged within days, and a discharged one freezes at ordinary winter temperatures."
        advice = "Switch everything off now and charge it today, slowly (a twentieth of its capacity per hour or less)."
    else:
        meaning = f"{kind.a_title_first} battery discharged further is damaged, and its protection may switch it off."
        advice = "Switch everything off now and charge it today with a charger made for it."
    frozen = caution("frozen") + " " if kind.freezing is not None else ""
    return Finding(
        "deep_discharge",
        "high",
        "Deeply discharged: switch off and charge",
        seen,
        meaning,
        advice,
        frozen + charging_caution(view),
        (
            ("voltage_v", round(span.voltage_v, 3)),
            ("current_a", None if span.current_a is None else round(span.current_a, 3)),
            ("end_of_discharge_voltage_v", round(end_v, 2)),
            *charge_evidence(view),
            ("temperature_c", span.temperature_c),
        ),
        kind.end_of_discharge_v.source if ended else "judgement: half of the safe limit",
    )


def over(view: View) -> str:
    return f"The battery is {charge_with_interval(view)} again."


DEEP_DISCHARGE = Rule("deep_discharge", 0, 3600, judge, over, "always")
