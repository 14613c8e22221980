"""The charger holds a voltage below the absorption window, so the battery is never properly filled."""

from analytics.assessment import Finding
from analytics.charging import telling, window
from analytics.charging.sessions import was_filling
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

HELD_MS = 3_600_000
"""Judgement: an hour at the low set-point; a charger that only pauses there has gone on."""
SHORT_CELL_V = 0.2 / 6
"""Judgement: 0.2 V (six cells) below the window after compensation, and below it as measured too: many sound chargers do not compensate."""
RAW_CELL_V = 0.05 / 6


def judge(view: View, standing: bool) -> Judgement:
    session = telling.relevant(view.charging.session, view.now_ms)
    if session is None:
        return None
    if session.absorption_v is None or session.absorption_ms < HELD_MS:
        return HOLD if standing else None
    battery = view.battery
    low_v = window.absorption_low_v(battery)
    at_25_v = window.at_25_c(battery, session.absorption_v, session.absorption_c)
    short_cell_v = SHORT_CELL_V if battery.kind.lead_acid else 0.25 / 4
    short = at_25_v < low_v - short_cell_v * battery.cells and session.absorption_v < low_v - RAW_CELL_V * battery.cells
    if not short or session.equalisation_ms > 0 or not was_filling(battery, session):
        return None
    cause = (
        "a fixed-voltage supply or a charger that only floats"
        if at_25_v <= window.float_high_v(battery) + 0.02 * battery.cells
        else telling.likely_cause(battery, session.absorption_v, session.absorption_c)
    )
    return Finding(
        "charge_under_voltage",
        "medium" if battery.kind.lead_acid else "low",
        "Charging voltage too low to fill it",
        f"The charger has held {session.absorption_v:.2f} V for {telling.span_of(session.absorption_ms)} at "
        f"{telling.warmth(session.absorption_c)} (as much as {at_25_v:.2f} V at 25 °C); this battery needs at least {low_v:.2f} V at 25 °C to become full."
        + telling.doubts(battery, session),
        (
            "At this voltage the last part of the charge never goes in, and a lead-acid battery that stays partly charged sulfates: hard crystals grow on its plates, and it holds less. "
            if battery.kind.lead_acid
            else "At this voltage the cells are never brought level. "
        )
        + f"Likely cause: {cause}.",
        f"Set the charger to the profile for {battery.kind.title}, or charge with one that has it.",
        telling.caution(battery),
        telling.evidence(
            session,
            ("absorption_v", round(session.absorption_v, 2)),
            ("absorption_at_25_c_v", round(at_25_v, 2)),
            ("window_low_v", round(low_v, 2)),
            ("temperature_c", session.absorption_c),
            ("current_a", session.tail_a),
            ("likely_cause", cause),
        ),
        telling.source_of(battery, battery.charge_window.absorption_low_v, battery.kind.absorption.source),
    )


def over(view: View) -> str:
    return "The last charge reached the voltage that this battery needs."


CHARGE_UNDER_VOLTAGE = Rule("charge_under_voltage", 0, 0, judge, over, "charging")
