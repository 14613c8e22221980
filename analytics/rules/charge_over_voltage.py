"""Charging voltage above the window of the battery at its temperature, in absorption or in float."""

from analytics.assessment import Finding
from analytics.charging import telling, window
from analytics.charging.memory import Session
from analytics.charging.sessions import margin_v
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

HIGH_MS = 600_000
"""Judgement: ten minutes in all; far above the window two are enough."""
FAR_CELL_V = 0.10
FLOAT_MS = 4 * 3_600_000
"""Judgement: a float voltage is judged once it has stood for four hours; some chargers step down slowly."""
FLOAT_OVER_CELL_V = 0.02
"""Judgement: an eighth of a volt (six cells) above the float window; less is within the setting of good chargers."""


def judge(view: View, standing: bool) -> Judgement:
    session = telling.relevant(view.charging.session, view.now_ms)
    if session is None:
        return None
    found = _absorbing(view, session) or _floating(view, session)
    if found is not None:
        return found
    proven = session.absorption_ms >= 1_800_000 or session.float_ms >= 1_800_000
    return None if proven or not standing else HOLD


def _absorbing(view: View, session: Session) -> Finding | None:
    battery = view.battery
    if session.high_v is None:
        return None
    limit_v = window.raised_v(battery, window.absorption_high_v(battery), session.high_c)
    excess_v = session.high_v - limit_v
    if session.high_ms < HIGH_MS and not (excess_v > FAR_CELL_V * battery.cells and session.high_ms >= 120_000):
        return None
    own = battery.charge_window.absorption_high_v
    return _finding(
        view, session, session.high_v, limit_v, session.high_c, session.high_ms, "while charging", own, battery.kind.absorption.source
    )


def _floating(view: View, session: Session) -> Finding | None:
    battery = view.battery
    if session.float_v is None or session.float_ms < FLOAT_MS:
        return None
    limit_v = window.raised_v(battery, window.float_high_v(battery), session.float_c)
    if session.float_v <= limit_v + FLOAT_OVER_CELL_V * battery.cells + margin_v(battery):
        return None
    own = battery.charge_window.float_high_v
    return _finding(
        view, session, session.float_v, limit_v, session.float_c, session.float_ms, "in float", own, battery.kind.float_charge.source
    )


def _finding(
    view: View,
    session: Session,
    voltage_v: float,
    limit_v: float,
    temperature_c: float | None,
    held_ms: int,
    stage: str,
    own: float | None,
    source: str,
) -> Finding:
    battery = view.battery
    excess_v = voltage_v - limit_v
    serious = excess_v > 0.05 * battery.cells or not battery.kind.lead_acid
    if stage == "in float":
        cause = "the float setting is too high for this battery, or the charger never leaves absorption"
    else:
        cause = telling.likely_cause(battery, voltage_v, temperature_c)
    harm = (
        "It drives the cells past their limit: the protection may cut off, and cells age or fail."
        if not battery.kind.lead_acid
        else "Too much gas is made and water is lost for good" + ("." if battery.kind.vented else "; a sealed battery cannot be refilled.")
    )
    return Finding(
        "charge_over_voltage",
        "high" if serious else "medium",
        "Charging voltage too high",
        f"{voltage_v:.2f} V {stage} at {telling.warmth(temperature_c)}, seen for {telling.span_of(held_ms)}; "
        f"this battery should not go above {limit_v:.2f} V at that temperature." + telling.doubts(battery, session),
        f"That is more than {battery.kind.a_title} battery bears. {harm} Likely cause: {cause}.",
        f"Switch the charger off or set its profile to {battery.kind.title} before the next charge.",
        telling.caution(battery, "hydrogen", "hot"),
        telling.evidence(
            session,
            ("voltage_v", round(voltage_v, 2)),
            ("limit_v", round(limit_v, 2)),
            ("voltage_at_25_c_v", round(window.at_25_c(battery, voltage_v, temperature_c), 2)),
            ("temperature_c", temperature_c),
            ("held_minutes", round(held_ms / 60_000)),
            ("likely_cause", cause),
        ),
        telling.source_of(battery, own, source),
    )


def over(view: View) -> str:
    return "The last charge stayed within the voltage window of this battery."


CHARGE_OVER_VOLTAGE = Rule("charge_over_voltage", 0, 0, judge, over, "charging")
