"""The slow part of ageing: one step of it, each half hour. Figures only; rules and sentences are elsewhere."""

from __future__ import annotations

from math import exp
from typing import TYPE_CHECKING

from analytics import estimate
from analytics.ageing.damage import damage, rated
from analytics.ageing.memory import Leg, Life, Pace
from analytics.ageing.rainflow import counted, push

if TYPE_CHECKING:
    from analytics.battery import Battery
    from analytics.view import View

LEAST_TURN_PCT = 2.0
"""Judgement: the estimate breathes by a percent or two; smaller turns are noise, not cycles."""
ANCHOR_SD_PCT = 3.0
"""Judgement: an anchor names the state of charge within three points (rest tables differ by as much)."""
SHORTEST_LEG_PCT = 25.0
"""Judgement: over a shorter leg two anchors say less about the capacity than the label does."""
DRIFT_VAR_PER_DAY = 0.02**2 / 30
"""Judgement: capacity may change by two hundredths a month."""
RESISTANCE_PER_K = 0.012
"""Judgement: resistance of lead-acid and LiFePO4 rises by about 1 to 1.5 % for each kelvin of cold."""
RESISTANCE_NEW_MS = 7 * 86_400_000
WORTH_PART = 0.10
"""A recharge worth the name puts back a tenth of the capacity."""
PACE_NEW = 8
"""Judgement: the first eight charges tell how the battery was when it came."""
IDLE_ANCHOR_MS = 10 * 86_400_000


def life_after(view: View, life: Life | None, in_ah: float, out_ah: float, *, silent: bool) -> Life:
    """The life after this half hour. `in_ah` and `out_ah` are totals since the beginning."""
    assert view.span is not None
    at_ms = view.span.end_ms
    if life is None:
        life = Life(at_ms, at_ms)
    if view.pct is not None:
        life = _cycled(view, life, view.pct)
    leg = life.leg
    if leg is not None and silent:
        leg = leg._replace(broken=True)
    life = life._replace(at_ms=at_ms, leg=leg, full=None if silent else life.full)
    life = _filled(view, _anchored(view, life, in_ah, out_ah), in_ah, out_ah)
    return _recharged(view, _resisting(view, life), out_ah)


def _cycled(view: View, life: Life, pct: float) -> Life:
    reversals, cycles = push(life.reversals, round(pct, 1), LEAST_TURN_PCT)
    if reversals == life.reversals:
        return life
    n, _, _, at_depth = rated(view.battery)
    opened = counted(reversals)
    life = life._replace(
        reversals=reversals,
        open_damage=round(damage(opened, n, at_depth), 7),
        open_cycles=sum(count for depth, count in opened if depth >= 10),
    )
    if not cycles:
        return life
    halves = list(life.half_cycles)
    for depth, count in cycles:
        halves[min(9, int(depth // 10))] += round(2 * count)
    return life._replace(half_cycles=tuple(halves), damage=round(life.damage + damage(cycles, n, at_depth), 7))


def _anchored(view: View, life: Life, in_ah: float, out_ah: float) -> Life:
    """At a new anchor the leg from the last one is weighed: capacity from a discharge, self-discharge from a long rest."""
    anchor = view.belief.anchor
    if anchor is None or anchor.kind not in ("rest", "full", "empty"):
        return life
    leg = life.leg
    if leg is not None and anchor.at_ms <= leg.at_ms:
        return life
    new = Leg(anchor.at_ms, round(anchor.after_pct, 1), in_ah, out_ah)
    if leg is None or leg.broken:
        return life._replace(leg=new)
    fallen_pct, out, into = leg.pct - anchor.after_pct, out_ah - leg.out_ah, in_ah - leg.in_ah
    if fallen_pct >= SHORTEST_LEG_PCT and into <= 0.2 * out:
        return _weighed(view.battery, life, new, out - into, fallen_pct, anchor.at_ms - leg.at_ms)
    days = (anchor.at_ms - leg.at_ms) / 86_400_000
    if (
        anchor.kind == "rest"
        and anchor.at_ms - leg.at_ms >= IDLE_ANCHOR_MS
        and out <= 0.1 * view.battery.rated_capacity_ah
        and into <= 0.02 * out
    ):
        lost_pct = fallen_pct - 100 * out / view.battery.rated_capacity_ah
        seen = max(0.0, lost_pct / days * 30)
        old = life.self_discharge
        return life._replace(leg=new, self_discharge=round(seen if old is None else old + 0.3 * (seen - old), 2))
    close = abs(fallen_pct) < SHORTEST_LEG_PCT and anchor.at_ms - leg.at_ms < IDLE_ANCHOR_MS
    return life if close and anchor.after_pct <= leg.pct else life._replace(leg=new)


def _weighed(battery: Battery, life: Life, leg: Leg, net_out_ah: float, fallen_pct: float, took_ms: int) -> Life:
    """Capacity from one leg, joined with what earlier legs said by their variances."""
    seen_ah = 100 * net_out_ah / fallen_pct
    sensor = battery.sensor
    count_sd = (net_out_ah * sensor.current_gain_pct / 100) ** 2 + (took_ms / 3_600_000 * sensor.current_offset_a) ** 2
    var = seen_ah**2 * (2 * (ANCHOR_SD_PCT / fallen_pct) ** 2 + count_sd / net_out_ah**2) if net_out_ah > 0 else 0.0
    if not 0.1 < seen_ah / battery.rated_capacity_ah < 1.6 or var <= 0:
        return life._replace(leg=leg)  # a leg that makes no sense: a counter that was wrong, or another battery
    if life.capacity_ah is None:
        return life._replace(leg=leg, capacity_ah=round(seen_ah, 1), capacity_var=round(var, 2))
    before = life.capacity_var + DRIFT_VAR_PER_DAY * battery.rated_capacity_ah**2 * took_ms / 86_400_000
    gain = before / (before + var)
    joined = life.capacity_ah + gain * (seen_ah - life.capacity_ah)
    return life._replace(leg=leg, capacity_ah=round(joined, 1), capacity_var=round((1 - gain) * before, 2))


def _filled(view: View, life: Life, in_ah: float, out_ah: float) -> Life:
    """The charge factor, each time a charge is first seen to be full."""
    session, full_ms = view.charging.session, view.charging.full_ms
    if session is None or session.charge_ah is None or full_ms is None or full_ms < session.begin_ms:
        return life
    if life.full is not None and life.full[0] == session.begin_ms:
        return life
    before, life = life.full, life._replace(full=(session.begin_ms, in_ah, out_ah))
    if before is None or out_ah - before[2] < WORTH_PART * view.battery.rated_capacity_ah:
        return life
    factor, known = (in_ah - before[1]) / (out_ah - before[2]), life.charge_factor
    return life._replace(charge_factor=round(factor if known is None else known + 0.3 * (factor - known), 3))


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
    return life._replace(resistance_ohm=now, resistance_new_ohm=now if young else life.resistance_new_ohm)


def _recharged(view: View, life: Life, out_ah: float) -> Life:
    """Days and charge from one recharge to the next: of the first ones, and a slow mean of the latest."""
    session = view.charging.session
    if session is None or not session.over or session.charge_ah is None or session.charge_ah < WORTH_PART * view.battery.rated_capacity_ah:
        return life
    if life.charged_ms is not None and session.end_ms <= life.charged_ms:
        return life
    last_ms, last_out = life.charged_ms, life.charged_out_ah
    life = life._replace(charged_ms=session.end_ms, charged_out_ah=out_ah)
    if last_ms is None:
        return life
    days, out = (session.begin_ms - last_ms) / 86_400_000, out_ah - last_out
    if not 0.1 <= days <= 60 or out < WORTH_PART * view.battery.rated_capacity_ah:
        return life
    if life.new.charges < PACE_NEW:
        return life._replace(new=_paced(life.new, days, out, life.new.charges + 1))
    return life._replace(now=_paced(life.now, days, out, PACE_NEW))


def _paced(pace: Pace, days: float, out_ah: float, of: int) -> Pace:
    of = min(of, pace.charges + 1)
    return Pace(pace.charges + 1, round(pace.days + (days - pace.days) / of, 2), round(pace.out_ah + (out_ah - pace.out_ah) / of, 1))
