"""The charger stays at absorption voltage long after the battery is full."""

from analytics.assessment import Finding
from analytics.charging import telling, window
from analytics.charging.sessions import margin_v
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

TAIL_MS = 9 * 3_600_000
"""Judgement: full is the tail current for one to three hours (trade practice); chargers' own timers run up to eight."""
SPENT_MS = 4 * 3_600_000
"""Judgement: at the smallest tail current that the trade names, four hours are enough; a sound charger has gone on."""
LONGEST_MS = 20 * 3_600_000
ALONE_MS = 16 * 3_600_000
"""Judgement: without a current sensor sixteen hours, longer than a small charger needs for a big battery."""
ABOVE_FLOAT_CELL_V = 0.03


def judge(view: View, standing: bool) -> Judgement:
    session, battery = telling.relevant(view.charging.session, view.now_ms), view.battery
    if session is None:
        return None
    if session.absorption_v is None:
        return HOLD if standing else None
    alone = session.charge_ah is None
    stuck_ms = session.stretch_ms  # a session may last for weeks of sun and mains, with many an absorption and float
    long = stuck_ms >= (ALONE_MS if alone else LONGEST_MS) or (
        stuck_ms > 0 and (session.tail_ms >= TAIL_MS or session.spent_ms >= SPENT_MS)
    )  # fmt: skip
    ceiling_v = window.capped_v(battery, window.float_high_v(battery), session.absorption_c)
    if not battery.kind.lead_acid:
        ceiling_v = max(ceiling_v, window.absorption_low_v(battery) - ABOVE_FLOAT_CELL_V * battery.cells)
    if not long or session.absorption_v <= ceiling_v + ABOVE_FLOAT_CELL_V * battery.cells + margin_v(battery):
        return None if session.float_ms > 0 or session.over or not standing else HOLD
    current = (
        "" if session.tail_a is None else f", the last {telling.span_of(session.tail_ms)} with hardly any current ({session.tail_a:.1f} A)"
    )
    return Finding(
        "charge_stuck",
        "high" if stuck_ms >= 24 * 3_600_000 else "medium",
        "Charger is stuck in absorption",
        f"{session.absorption_v:.2f} V for {telling.span_of(stuck_ms)} at {telling.warmth(session.absorption_c)}{current}."
        + telling.doubts(battery, session),
        f"The battery is full and should be held at {ceiling_v:.1f} V or less. "
        + (
            "Held at absorption voltage for days it loses water, corrodes, and can heat itself up (thermal runaway)."
            if battery.kind.lead_acid
            else "Lithium cells that are held full at a high voltage age faster."
        )
        + " Likely cause: a float setting at absorption voltage, a broken charger, or a load that keeps "
        "the charger from seeing the tail current.",
        "Switch the charger off, or to float or storage, and let the setting be checked.",
        telling.caution(battery, "hydrogen", "hot"),
        telling.evidence(
            session,
            ("absorption_v", round(session.absorption_v, 2)),
            ("absorption_hours", round(stuck_ms / 3_600_000, 1)),
            ("tail_hours", round(session.tail_ms / 3_600_000, 1)),
            ("float_limit_v", round(ceiling_v, 2)),
            ("temperature_c", session.absorption_c),
        ),
        telling.COMMON + "; times: judgement",
    )


def over(view: View) -> str:
    return "The charger has left absorption."


CHARGE_STUCK = Rule("charge_stuck", 0, 0, judge, over, "charging")
