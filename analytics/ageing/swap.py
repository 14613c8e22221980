"""A battery changed without a word: the state of charge read from the voltage next to rest steps where no counted charge explains it.

It looks only where a current is measured; by voltage alone a step down may be an evening's use. Two batteries of one kind and charge cannot
be told apart here; their capacity and resistance tell, in time. Figures only; the rule is analytics/rules/another_battery.py.
"""

from __future__ import annotations

from math import sqrt
from typing import TYPE_CHECKING

from analytics.ageing.memory import Leg, Life, Swap
from analytics.value import changed

if TYPE_CHECKING:
    from analytics.view import View

LEAST_PCT, LEAST_SD = 12.0, 5.0
"""Judgement: smaller steps are surface charge, a load past the shunt or a cold morning."""
CAPACITY_DOUBT = 0.5
"""Judgement: a declared capacity may be off by half."""
UNHEARD_C = 0.005
"""Judgement: while nothing is heard, twice the usual current and half an ampere for each 100 Ah may have flowed."""
APART_MS, CONFIRMED_MS = 36 * 3_600_000, 2 * 3_600_000
"""Judgement: between two looks further apart too much may have happened; a step must stand for two hours, or it was a recovery."""


def watched(view: View, life: Life, new: Leg | None) -> Life:
    """The life after a look at the voltage (`new`; None: it cannot be read now)."""
    if new is None or not view.model.lead:
        return life
    if new.full:
        return changed(life, last=None, swap=_only_confirmed(life.swap))
    last, swap = life.last, life.swap
    if swap is not None and not swap.confirmed:
        stays = abs(new.pct - swap.after_pct - _moved_pct(view, swap.net_ah, new)) < 0.4 * abs(swap.after_pct - swap.before_pct)
        if not stays:
            swap = None
        elif new.at_ms - swap.to_ms >= CONFIRMED_MS:
            life = _another(life, swap, new)
            swap = life.swap
    elif last is not None and new.at_ms - last.at_ms <= APART_MS and not _charged_unheard(view, life, last):
        swap = _stepped(view, life, last, new) or swap
    return changed(life, last=new, swap=swap)


def _only_confirmed(swap: Swap | None) -> Swap | None:
    return swap if swap is not None and swap.confirmed else None


def _charged_unheard(view: View, life: Life, last: Leg) -> bool:
    """Whether a charge ran since the last look of which some was not heard: how much went in then nobody knows."""
    session = view.charging.session
    return life.silent_h > 0 and session is not None and session.end_ms > last.at_ms


def _moved_pct(view: View, net_ah: float, new: Leg) -> float:
    return 100 * (new.in_ah - new.out_ah - net_ah) / view.battery.rated_capacity_ah


def _stepped(view: View, life: Life, last: Leg, new: Leg) -> Swap | None:
    """The step from one look to the next, if nothing that was counted explains it."""
    ah = view.battery.rated_capacity_ah
    counted = _moved_pct(view, last.in_ah - last.out_ah, new)
    flown = 100 * (new.in_ah - last.in_ah + new.out_ah - last.out_ah) / ah
    hours = (new.at_ms - last.at_ms) / 3_600_000
    usual_pct = 100 * life.silent_h * (2 * abs(life.slow_a) / ah + UNHEARD_C)
    offset_pct = 200 * view.battery.sensor.current_offset_a * hours / ah
    doubt = CAPACITY_DOUBT * flown + usual_pct + offset_pct
    off = abs(new.pct - last.pct - counted) - doubt
    if off < LEAST_PCT or off < LEAST_SD * sqrt(last.sd_pct**2 + new.sd_pct**2):
        return None
    return Swap(last.at_ms, new.at_ms, last.pct, new.pct, new.in_ah - new.out_ah)


def _another(life: Life, swap: Swap, new: Leg) -> Life:
    """Another battery: what was measured of the old one's capacity and resistance is not the new one's."""
    return changed(life,
        swap=swap._replace(confirmed=True), leg=new, far=None, capacity_ah=None, capacity_var=0.0, capacity_new_ah=None,
        resistance_new_ohm=None, resistance_ohm=None, self_discharge=None, begun_ms=new.at_ms,
    )  # fmt: skip
