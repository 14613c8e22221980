"""Below the safe limit: the rest voltage that the loaded voltage stands for, as state of charge of this chemistry.

A burst of hundreds of amperes for seconds or an inverter for minutes lowers the voltage, not the charge: it never comes here.
"""

from analytics.assessment import Finding
from analytics.rules.rule import HOLD, Judgement, Rule, Said
from analytics.rules.wording import charge_evidence, charge_with_interval, charging_caution
from analytics.trend.level import charge_of, is_charging
from analytics.view import View

BELOW_PCT = 1.0
"""Judgement: the estimate trembles by about a point."""
CLEAR_PCT = 10.0
"""Judgement: ten points above the limit is a charge; a recovering voltage or an hour of sun is less."""
WIDEST_PCT = 22.5
"""Judgement: with more than this to the upper end (half of what says nothing at all; voltage only, under load) nothing can be said."""


def judge(view: View, standing: bool) -> Judgement:
    charge = charge_of(view)
    if charge is None or view.span is None or view.ticked:
        return HOLD
    pct, _, high = charge
    limit = view.battery.limit_pct
    if pct >= limit + CLEAR_PCT or (not standing and pct >= limit - BELOW_PCT):
        return None
    if is_charging(view):
        return HOLD if standing else None
    if high - pct > WIDEST_PCT:
        return HOLD
    return Said("low_voltage", "medium", lambda: _finding(view, limit))


def _finding(view: View, limit: float) -> Finding:
    span, kind = view.span, view.battery.kind
    assert span is not None
    if kind.lead_acid:
        meaning = f"Standing below {limit:.0f} % hardens the plates of {kind.a_title} battery: it loses capacity for good, sooner the longer it stands."
    else:
        meaning = f"{kind.a_title_first} battery is near the point at which its protection switches off; standing empty ages it."
    return Finding(
        "low_voltage",
        "medium",
        f"Below the safe limit of {limit:.0f} %",
        f"The battery is {charge_with_interval(view)} at {span.voltage_last_v:.2f} V, loads taken into account.",
        meaning,
        "Switch off what can be switched off and charge it within a day.",
        charging_caution(view),
        (
            *charge_evidence(view),
            ("safe_limit_pct", limit),
            ("voltage_v", round(span.voltage_last_v, 3)),
            ("current_a", None if span.current_last_a is None else round(span.current_last_a, 3)),
            ("temperature_c", span.temperature_c),
        ),
        "set by the owner" if view.battery.safe_limit_pct is not None else kind.safe_limit_pct.source,
    )


def over(view: View) -> str:
    return f"The battery is {charge_with_interval(view)} again."


LOW_VOLTAGE = Rule("low_voltage", 900, 3600, judge, over, "always")
