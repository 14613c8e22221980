"""The charger finished absorption and then let go: nothing holds the battery full while it stands on the mains."""

from analytics.assessment import Finding
from analytics.charging import telling, window
from analytics.charging.sessions import is_full, tail_a, was_filling
from analytics.rules.rule import Judgement, Rule
from analytics.view import View

ABSORBED_MS = 1_800_000
LEAST_MS = 4 * 3_600_000
"""Judgement: shorter charges are drives, and end because the drive does."""
TAIL_MS = 8 * 3_600_000
"""Judgement: a charger that lets go does so some hours after the tail current at the latest; later the plug was pulled."""


def judge(view: View, standing: bool) -> Judgement:
    session, battery = telling.relevant(view.charging.session, view.now_ms), view.battery
    if session is None or not session.over or not view.model.lead:
        return None
    if session.ended_in not in ("absorption", "equalisation") or session.end_ms - session.begin_ms < LEAST_MS:
        return None  # a voltage that sank before it ended: the sun went down
    if session.breaks > 1 or not was_filling(battery, session):
        return None  # a full battery that the sun topped up; or a source that comes and goes, such as the sun behind clouds, ends by itself
    absorbed = session.absorption_ms >= ABSORBED_MS and session.unseen_ms == 0
    if not absorbed or session.float_ms > 0 or (session.tail_ms == 0 and not is_full(battery, session)):
        return None
    if session.tail_a is None or session.tail_a > 1.5 * tail_a(battery) or session.tail_ms > TAIL_MS:
        return None
    return Finding(
        "charge_no_float",
        "low",
        "Charger stops without float",
        f"The charge that began on {telling.clock(session.begin_ms)} was complete, and then the charger let go instead of holding about "
        f"{(window.float_low_v(battery) + window.float_high_v(battery)) / 2:.1f} V." + telling.doubts(battery, session),
        "Everything that draws current now empties a battery that could be held full. Unplugging the hook-up looks the same; "
        "then there is nothing to do. Likely cause: a charger without a float stage, or one set to lithium.",
        "If the van stays on the mains, choose a profile with float, or charge again every few weeks.",
        telling.caution(battery),
        telling.evidence(session, ("absorption_v", session.absorption_v), ("tail_current_a", session.tail_a), ("float_minutes", 0)),
        telling.COMMON,
    )


def over(view: View) -> str:
    return "The last charge was followed by float, or another charge is running."


CHARGE_NO_FLOAT = Rule("charge_no_float", 0, 0, judge, over)
