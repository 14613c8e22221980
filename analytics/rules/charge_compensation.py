"""The charging voltage does not follow the temperature: too low in the cold, too high in warmth, or measured to stand still."""

from analytics.assessment import Finding
from analytics.charging import telling, window
from analytics.charging.memory import Session
from analytics.charging.sessions import margin_v, was_filling
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

COLD_C, WARM_C = 5.0, 33.0
"""Judgement: between these a charger without compensation is off by less than the width of the windows."""
OFF_K = 1.5
"""Judgement: a thermometer is off by a kelvin and a half at most; with the voltmeter's own margin this is what can be measured."""
SPREAD_K = 15.0
"""Judgement: the coefficient is measured only over at least this much change of temperature within one stage."""
ONE_SOURCE_MS = 30 * 3_600_000
"""Judgement: in a longer charge, or one that came and went, the sun may have taken over from the mains, each with a set-point of its own."""
HELD_MS = 1_800_000
OFF_DELAY_S = 24 * 3600
"""Judgement: a charger's setting does not change within hours; a morning that is a kelvin warmer than the night is no repair."""


def measured_v_per_k(session: Session) -> float | None:
    """Change of the held voltage for each kelvin within this session; None where the temperature changed too little."""
    if session.cool_c is None or session.warm_c is None or session.cool_v is None or session.warm_v is None:
        return None
    if session.breaks > 1 or session.end_ms - session.begin_ms > ONE_SOURCE_MS:
        return None
    spread_k = session.warm_c - session.cool_c
    return None if spread_k < SPREAD_K else (session.warm_v - session.cool_v) / spread_k


def judge(view: View, standing: bool) -> Judgement:
    session, battery = telling.relevant(view.charging.session, view.now_ms), view.battery
    if session is None or not view.model.lead:
        return None
    usual, strongest, mildest = window.compensation_v_per_k(battery)
    if usual == 0.0:
        return None
    if session.absorption_v is None or session.absorption_ms < HELD_MS or session.absorption_c is None:
        return HOLD if standing else None
    volts, celsius = session.absorption_v, session.absorption_c
    if celsius >= WARM_C:
        limit_v = window.absorption_high_v(battery) + strongest * (celsius - window.BASE_C) + margin_v(battery)
        usual_limit_v = window.raised_v(battery, window.absorption_high_v(battery), celsius) + margin_v(battery)
        if limit_v < volts <= usual_limit_v:
            return _finding(view, session, "too high for this warmth", limit_v, "medium")
    if celsius <= COLD_C and was_filling(battery, session):
        following_v = mildest * (max(0.0, celsius) - window.BASE_C)  # most chargers stop following at 0 °C
        limit_v = window.absorption_low_v(battery) + following_v + OFF_K * usual - margin_v(battery)
        if volts < limit_v and volts >= window.absorption_low_v(battery) - 0.05 / 6 * battery.cells:
            return _finding(view, session, "too low for this cold", limit_v, "low")
    measured = measured_v_per_k(session)
    if measured is not None and (abs(measured) < 0.2 * abs(usual) or measured > 0.0 or measured < 2.0 * strongest):
        return _finding(view, session, "not following the temperature", None, "low")
    return None


def _finding(view: View, session: Session, how: str, limit_v: float | None, priority: str) -> Finding:
    battery = view.battery
    usual, strongest, mildest = window.compensation_v_per_k(battery)
    expected_v = (window.absorption_low_v(battery) + window.absorption_high_v(battery)) / 2 + usual * (
        (session.absorption_c or 25.0) - 25.0
    )
    measured = measured_v_per_k(session)
    measured_said = "" if measured is None else f" Over this charge it changed by {1000 * measured:.0f} mV for each degree."
    cold = "cold" in how
    return Finding(
        "charge_compensation",
        priority,
        f"Charging voltage {how}",
        f"{session.absorption_v:.2f} V at {telling.warmth(session.absorption_c)}; a charger that follows the temperature would hold about "
        f"{expected_v:.2f} V." + measured_said + telling.doubts(battery, session),
        f"The charger does not seem to follow the temperature, or is set for another kind of battery; {battery.kind.a_title} battery wants {-1000 * mildest:.0f} to "
        f"{-1000 * strongest:.0f} mV more for each degree below 25 °C, and as much less for each degree above. "
        + (
            "In the cold the battery stays partly empty."
            if cold
            else "In warmth this is over-voltage: gas, loss of water, and heat that feeds itself."
        ),
        "Fit or connect the charger's temperature sensor to the battery, or switch compensation on.",
        telling.caution(battery) if cold else telling.caution(battery, "hydrogen", "hot"),
        telling.evidence(
            session,
            ("absorption_v", session.absorption_v),
            ("temperature_c", session.absorption_c),
            ("expected_v", round(expected_v, 2)),
            ("limit_v", None if limit_v is None else round(limit_v, 2)),
            ("measured_mv_per_k_and_cell", None if measured is None else round(1000 * measured / battery.cells, 1)),
        ),
        battery.kind.compensation_v_per_k.source,
    )


def over(view: View) -> str:
    return "The last charging voltage suited the temperature."


CHARGE_COMPENSATION = Rule("charge_compensation", 0, OFF_DELAY_S, judge, over, "charging")
