"""An equalisation: where the battery must not have one, or far too long."""

from analytics.assessment import Finding
from analytics.charging import telling, window
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

SEEN_MS = 900_000
"""Judgement: a quarter of an hour at a second, higher set-point is a programme and no overshoot."""
STEP_CELL_V = 0.03
LONGEST_MS = 8 * 3_600_000
"""Judgement: equalisations are run for one to four hours; eight cover the longest that a maker's sheet may ask for."""


def judge(view: View, standing: bool) -> Judgement:
    session = telling.relevant(view.charging.session, view.now_ms)
    if session is None:
        return None
    battery, volts = view.battery, session.equalisation_v
    proven = session.float_ms > 0 or (session.over and session.absorption_ms > 0)
    silent = None if proven or not standing else HOLD
    if volts is None:
        return silent
    if session.over or session.ended_in in ("absorption", "float"):
        return None  # the charger has gone on to another stage, or the charge has ended
    allowed_v = window.equalisation_high_v(battery)
    up = session.absorption_v is not None and volts > session.absorption_v + STEP_CELL_V * battery.cells
    stepped = up and session.absorption_ms >= 600_000 and session.equalisation_ms >= SEEN_MS
    wrong = stepped and allowed_v is None
    long = allowed_v is not None and session.equalisation_ms > LONGEST_MS
    if not (wrong or long):
        return silent
    why = (
        f"{battery.kind.a_title} battery must not have one"
        if wrong
        else f"an equalisation is over after {LONGEST_MS // 3_600_000} hours at most"
    )
    return Finding(
        "charge_equalisation",
        "high" if wrong else "medium",
        "Equalisation where none belongs" if wrong else "Equalisation goes on too long",
        f"After absorption the charger went up to {volts:.2f} V at {telling.warmth(session.equalisation_c)} and has held it for "
        f"{telling.span_of(session.equalisation_ms)}." + telling.doubts(battery, session),
        f"This is an equalisation (a deliberate overcharge), and {why} unless its maker says so. Over-voltage drives out water and heats the battery. "
        "Likely cause: a profile for flooded batteries with equalisation or reconditioning switched on.",
        "Stop this charge and switch equalisation or reconditioning off in the charger.",
        telling.caution(battery, "hydrogen", "hot"),
        telling.evidence(
            session,
            ("equalisation_v", round(volts, 2)),
            ("equalisation_minutes", round(session.equalisation_ms / 60_000)),
            ("absorption_v", session.absorption_v),
            ("temperature_c", session.equalisation_c),
        ),
        telling.source_of(battery, battery.charge_window.equalisation_high_v, telling.COMMON),
    )


def over(view: View) -> str:
    return "The equalisation is over."


OFF_DELAY_S = 1800
"""Judgement: a load that pulls the voltage down for minutes ends no equalisation."""
CHARGE_EQUALISATION = Rule("charge_equalisation", 0, OFF_DELAY_S, judge, over, "charging")
