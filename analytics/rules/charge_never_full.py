"""Several charges in a row that never finished. It cannot be told from one charge, and says over how many it looked."""

from analytics.assessment import Finding
from analytics.charging import telling
from analytics.rules.rule import Judgement, Rule, Said
from analytics.view import View

SESSIONS = 5
DAYS = 7
"""Judgement: five charges over a week. Lead-acid in partial charge wants a full one every week or two (trade advice, no source)."""
SPARSE_MS = 1_200_000
"""Judgement: an hour's absorption falls between voltages that are further apart; without a current its end cannot be seen at all."""
LITHIUM_DAYS = 60
"""Judgement: lithium needs a full charge only now and then, to bring the cells level."""


def judge(view: View, standing: bool) -> Judgement:
    memory = view.charging
    since_ms = memory.partial_since_ms
    if since_ms is None or memory.partial < SESSIONS or _too_sparse(view):
        return None
    days = (view.now_ms - since_ms) / 86_400_000
    if days < (DAYS if view.model.lead else LITHIUM_DAYS):
        return None
    priority = "medium" if view.model.lead and memory.partial >= 2 * SESSIONS else "low"
    return Said("charge_never_full", priority, lambda: _finding(view, since_ms, priority))


def _too_sparse(view: View) -> bool:
    """Voltages alone, too far apart to show how a charge ended."""
    span, usual_ms = view.span, view.use.interval_ms
    return span is not None and span.current_a is None and usual_ms is not None and usual_ms > SPARSE_MS


def _finding(view: View, since_ms: int, priority: str) -> Finding:
    memory, battery = view.charging, view.battery
    days = (view.now_ms - since_ms) / 86_400_000
    last = memory.session
    tail = "" if last is None or last.tail_a is None else f" The last one ended with {last.tail_a:.1f} A still flowing in."
    last_full = "never since the readings began" if memory.full_ms is None else f"last on {telling.clock(memory.full_ms)}"
    return Finding(
        "charge_never_full",
        priority,
        f"{memory.partial} charges, none to full",
        f"{memory.partial} charges in {days:.0f} days, and none was seen to finish (full: {last_full})." + tail,
        (
            "A lead-acid battery that is never filled sulfates and loses capacity, most of it in the first weeks. "
            if battery.kind.lead_acid
            else "Without a full charge now and then the cells drift apart. "
        )
        + "Likely cause: charging time too short, too little sun, or a charger that leaves absorption early.",
        "Give it one full charge from the mains, until the charger has been in float for an hour or more.",
        telling.caution(battery),
        (
            ("charges_not_finished", memory.partial),
            ("since", telling.clock(since_ms)),
            ("last_full", None if memory.full_ms is None else telling.clock(memory.full_ms)),
            ("tail_current_a", None if last is None else last.tail_a),
            ("judged_by", "voltage only" if last is None or last.charge_ah is None else "voltage and current"),
        ),
        "incomplete recharge as the main cause of early capacity loss: Hund, Sandia National Laboratories; number of charges: judgement",
    )


def over(view: View) -> str:
    return "A charge was seen to finish."


CHARGE_NEVER_FULL = Rule("charge_never_full", 0, 0, judge, over)
