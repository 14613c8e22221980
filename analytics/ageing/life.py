"""The slow part of ageing: one step of it, each half hour. Figures only; rules and sentences are elsewhere."""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING, Any

from analytics import estimate
from analytics.ageing.capacity import measured, trusted
from analytics.ageing.damage import damage, rated
from analytics.ageing.memory import Leg, Life, Pace
from analytics.ageing.rainflow import push
from analytics.ageing.swap import watched
from analytics.value import changed

if TYPE_CHECKING:
    from analytics.view import View

LEAST_TURN_PCT = 2.0
"""Judgement: the estimate breathes by a percent or two; smaller turns are noise, not cycles."""
START_SD_PCT = 4.0
"""Judgement: an owner's starting charge is worth four points."""
LOOK_MS = 3_600_000
"""The state of charge is read from the voltage when the hour turns: it costs more than all the rest."""
ENDS_PCT = 1.0
"""At the ends of the table a voltage only says that it is full, or empty."""
SLOW_H = 3.0
"""Judgement: what flowed in the last hours still holds the voltage off its rest."""
RESISTANCE_PER_K = 0.012
"""Judgement: resistance of lead-acid and LiFePO4 rises by about 1 to 1.5 % for each kelvin of cold."""
RESISTANCE_NEW_MS = 7 * 86_400_000
WORTH_PART = 0.10
"""A recharge worth the name puts back a tenth of the capacity."""
PACE_NEW = 8
"""Judgement: the first eight charges tell how the battery was when it came."""


def life_after(view: View, life: Life | None, in_ah: float, out_ah: float, *, silent: bool) -> Life:
    """The life after this half hour. `in_ah` and `out_ah` are totals since the beginning."""
    assert view.span is not None
    at_ms = view.span.end_ms
    if life is None:
        life = Life(at_ms, at_ms, leg=_declared(view, at_ms, in_ah, out_ah))
    cycled = {} if view.pct is None else _cycled(view, life, view.pct)
    if silent:
        life = changed(life, leg=None, far=None, full=None, silent_h=life.silent_h + view.span.gap_ms / 3_600_000)
    before_ms, hours = life.at_ms, (at_ms - life.at_ms) / 3_600_000
    slow_a = life.slow_a
    if hours > 0:
        slow_a += (1 - exp(-hours / SLOW_H)) * ((in_ah - out_ah - life.net_ah) / hours - slow_a)
    life = changed(life, at_ms=at_ms, net_ah=round(in_ah - out_ah, 3), slow_a=round(slow_a, 3), **cycled)
    turned = at_ms // LOOK_MS != before_ms // LOOK_MS
    known = trusted(view, in_ah, out_ah, slow_a) if turned else None
    within = known if known is not None and (known.full or ENDS_PCT <= known.pct <= 100 - ENDS_PCT) else None
    life = _filled(view, measured(view, watched(view, life, known), within), in_ah, out_ah)
    if known is not None and life.silent_h:
        life = changed(life, silent_h=0.0)
    return _recharged(view, _resisting(view, life), out_ah)


def _declared(view: View, at_ms: int, in_ah: float, out_ah: float) -> Leg | None:
    """The owner's starting charge, where the first leg begins."""
    start_pct, anchor = view.battery.initial_state_of_charge_pct, view.belief.anchor
    if start_pct is None or anchor is None or anchor.kind != "declared":
        return None
    return Leg(at_ms, start_pct, in_ah, out_ah, START_SD_PCT, full=True)


def _cycled(view: View, life: Life, pct: float) -> dict[str, Any]:
    """What of the life changes by one more state of charge: the turning points, and with them the cycles that it closed."""
    reversals, cycles = push(life.reversals, round(pct, 1), LEAST_TURN_PCT)
    if not cycles:
        return {"reversals": reversals}
    n, _, _, at_depth = rated(view.battery)
    halves = list(life.half_cycles)
    for depth, count in cycles:
        halves[min(9, int(depth // 10))] += round(2 * count)
    return {"reversals": reversals, "half_cycles": tuple(halves), "damage": round(life.damage + damage(cycles, n, at_depth), 7)}


def _filled(view: View, life: Life, in_ah: float, out_ah: float) -> Life:
    """The charge factor, each time a charge is first seen to be full."""
    session, full_ms = view.charging.session, view.charging.full_ms
    if session is None or session.charge_ah is None or full_ms is None or full_ms < session.begin_ms:
        return life
    if life.full is not None and life.full[0] == session.begin_ms:
        return life
    before, life = life.full, changed(life, full=(session.begin_ms, in_ah, out_ah))
    if before is None or out_ah - before[2] < WORTH_PART * view.battery.rated_capacity_ah:
        return life
    factor, known = (in_ah - before[1]) / (out_ah - before[2]), life.charge_factor
    return changed(life, charge_factor=round(factor if known is None else known + 0.3 * (factor - known), 3))


def _resisting(view: View, life: Life) -> Life:
    """Resistance that the load steps have taught, referred to 25 °C, as it was new and as it is."""
    assert view.span is not None
    habit = view.belief.habit
    if habit is None or view.span.temperature_c is None or habit.resistance_var > (0.1 * habit.resistance) ** 2:
        return life
    at_25 = estimate.resistance_ohm(view.model, view.belief) * exp(RESISTANCE_PER_K * (view.span.temperature_c - 25))
    now = at_25 if life.resistance_ohm is None else life.resistance_ohm + 0.02 * (at_25 - life.resistance_ohm)
    young = view.span.end_ms - life.begun_ms < RESISTANCE_NEW_MS or life.resistance_new_ohm is None
    now = round(now, 6)
    return changed(life, resistance_ohm=now, resistance_new_ohm=now if young else life.resistance_new_ohm)


def _recharged(view: View, life: Life, out_ah: float) -> Life:
    """Days and charge from one recharge to the next: of the first ones, and a slow mean of the latest."""
    session = view.charging.session
    if session is None or not session.over or session.charge_ah is None or session.charge_ah < WORTH_PART * view.battery.rated_capacity_ah:
        return life
    if life.charged_ms is not None and session.end_ms <= life.charged_ms:
        return life
    last_ms, last_out = life.charged_ms, life.charged_out_ah
    life = changed(life, charged_ms=session.end_ms, charged_out_ah=out_ah)
    if last_ms is None:
        return life
    days, out = (session.begin_ms - last_ms) / 86_400_000, out_ah - last_out
    if not 0.1 <= days <= 60 or out < WORTH_PART * view.battery.rated_capacity_ah:
        return life
    if life.new.charges < PACE_NEW:
        return changed(life, new=_paced(life.new, days, out, life.new.charges + 1))
    return changed(life, now=_paced(life.now, days, out, PACE_NEW))


def _paced(pace: Pace, days: float, out_ah: float, of: int) -> Pace:
    of = min(of, pace.charges + 1)
    return Pace(pace.charges + 1, round(pace.days + (days - pace.days) / of, 2), round(pace.out_ah + (out_ah - pace.out_ah) / of, 1))
