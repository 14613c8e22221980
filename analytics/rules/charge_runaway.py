"""Signs of thermal runaway: the current rises at a held voltage, float current far above its own baseline, or a very hot battery."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.charging.memory import Session
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.view import View

RISING_MS, WARMED_K = 1_200_000, 2.0
"""Judgement: twenty minutes of a current half as high again as its least, at the same voltage, while the battery warms by two kelvin."""
RISING_ALONE_MS = 3_600_000
"""Judgement: where the warmth does not show, an hour."""
ROSE_TIMES = 3.0
"""Judgement: and then to three times its least: a current that comes back after a load seldom does, one that runs away goes on."""
TIMES = 4.0
"""Judgement: "several times its own baseline" (IEEE 1188 practice, from memory)."""


def judge(view: View, standing: bool) -> Judgement:
    session, battery = view.charging.running, view.battery
    if session is None:
        return None
    hottest_c = view.span.temperature_c if view.span is not None else None
    hot = hottest_c is not None and hottest_c >= battery.kind.charge_highest_c.high
    why = _why(view, session, hot)
    if why is None:
        return HOLD if standing and view.charging.phase in ("bulk", "charging") else None
    return Finding(
        "charge_runaway",
        "high",
        "Battery may be running away: stop charging",
        why + telling.doubts(battery, session),
        "At a held voltage the current of a healthy battery falls. One that rises, or great heat, means that the charge turns into heat and the "
        "heat into more current: thermal runaway. Likely cause: a dried-out or shorted cell, or too high a voltage for the warmth.",
        "Switch the charger off now, leave the battery to cool, and have it checked before it is charged again.",
        telling.caution(battery, "hot", "hydrogen"),
        telling.evidence(
            session,
            ("current_from_a", session.rising_from_a),
            ("current_to_a", session.rising_to_a),
            ("rising_minutes", round(session.rising_ms / 60_000)),
            ("float_current_a", session.float_a),
            ("float_least_a", session.float_least_a),
            ("temperature_c", hottest_c),
        ),
        "IEEE 1188 practice, from memory; stop at 43 °C: UFGS 16262, 50 °C in a maker's manual; times: judgement",
    )


def _why(view: View, session: Session, hot: bool) -> str | None:
    battery = view.battery
    if hot and view.charging.phase != "resting" and view.span is not None:
        return f"The battery is at {view.span.temperature_c:.0f} °C and still being charged; {battery.kind.charge_highest_c.high:.0f} °C is the limit."
    if not view.model.lead:
        return None
    if _rises(view, session):
        return (
            f"At a held voltage the current has risen from {session.rising_from_a or 0.0:.1f} A to {session.rising_to_a or 0.0:.1f} A over "
            f"{telling.span_of(session.rising_ms)}."
        )
    least_a, now_a = session.float_least_a, session.float_a
    if least_a is None or now_a is None or session.float_ms < 6 * 3_600_000:
        return None
    floor_a = 2 * battery.sensor.current_offset_a + 0.002 * battery.rated_capacity_ah
    if now_a > TIMES * max(least_a, floor_a) and session.rising_ms >= RISING_ALONE_MS:
        return f"The float current is {now_a:.1f} A, several times its least ({least_a:.1f} A) of this charge."
    return None


def _rises(view: View, session: Session) -> bool:
    """Whether the current has risen for long at a voltage that did not."""
    from_a, to_a = session.rising_from_a, session.rising_to_a
    if from_a is None or to_a is None or session.rising_ms < RISING_MS:
        return False
    now_c = None if view.span is None else view.span.temperature_c
    if now_c is not None and session.rising_from_c is not None and now_c >= session.rising_from_c + WARMED_K:
        return True
    return session.rising_ms >= RISING_ALONE_MS and to_a >= ROSE_TIMES * max(from_a, 0.0)


def over(view: View) -> str:
    return "The current has fallen again, or the charge has ended."


CHARGE_RUNAWAY = Rule("charge_runaway", 0, 1800, judge, over, "charging")
