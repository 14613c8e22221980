"""Usable capacity between two trusted states of charge: the charge counted against the change of charge, each with its own doubt.

Neither the estimator's belief nor its learned capacity is used: a rest voltage is read from the table, a full charge is known by its
current. Both sides of the quotient are uncertain, so each leg moves the capacity by weighted total least squares (after Plett 2011,
J. Power Sources 196, 2319-2331, from memory): the change of charge is first moved to where both sides together believe it.
"""

from __future__ import annotations

from math import exp, sqrt
from typing import TYPE_CHECKING

from analytics import estimate
from analytics.ageing.memory import Leg, Life
from analytics.charging.phases import lifted_v
from analytics.charging.sessions import REGULATED, is_full
from analytics.value import changed

if TYPE_CHECKING:
    from analytics.battery import Battery
    from analytics.view import View

CALM_C = 0.02
"""Judgement: lamps and a fridge; what a voltage under them is off can be told from the resistance."""
AFTER_CHARGE_H = 2.0
SLOW_PART, SLOW_DOUBT = 1.3, 0.7
"""Slow polarisation over the resistance of load steps, as in the estimate, and how far it may be off. Judgement."""
REST_CELL_V, SURFACE_CELL_V, SURFACE_H = 0.0012, 0.006, 12.0
"""Judgement: after hours of rest a voltage is off by some 7 mV (six cells), after a charge by five times that at first."""
REST_SD_PCT, FULL_SD_PCT = 0.5, 1.0
ACCEPT_H, ACCEPT_SD = 2.0, 0.5
"""Missing charge at the tail of a held charge is its current times some two hours (the estimate's prior: 1 to 4.5 h), give or take half."""
TABLE_OWN, TABLE_PUBLISHED = 0.04, 0.15
"""Judgement: what a table's own error does to every leg alike, as a part of the capacity; no number of legs averages it out. Published
tables of one kind differ by a seventh in their span from empty to full."""
LEAST_PCT, LEAST_SD = 15.0, 3.0
"""Judgement: a leg that is shorter, or not three times its own doubt, says less about the capacity than the label does."""
FROM_FULL_PCT = 30.0
"""Judgement: from full to a rest, or back, a table that stands 30 mV beside the battery is worth three points, and every such leg errs
alike: a tenth of a leg of thirty points. Between two rests it cancels."""
BACK_PCT = 8.0
"""Judgement: so far back from its furthest point, a leg is over; less is the breathing of voltage and sun."""
KNOWN_PART = 0.10
LONGEST_MS = 10 * 86_400_000
"""Judgement: over more days the offset of a shunt outweighs the charge counted."""
LOST_FULL, LOST_PART, LOST_SD_PART, LOST_LITHIUM = 0.05, 0.02, 0.03, 0.005
"""Of what goes into lead-acid, this part makes gas: more in a charge to the very end. Judgement, beside the trade's charge factors of 1.05 to 1.20."""
OFFSET_DOUBT = 0.7
"""Judgement: what the estimate learns of the offset leaves some two thirds of what its maker states."""
SPARSE_PART = 0.3
"""Judgement: with a reading an hour, a third of a charge may be missed or counted twice, for its current falls by the hour; loads are steadier."""
IDLE_DAYS = 9.0
DRIFT_VAR_PER_DAY = 0.02**2 / 30
"""Judgement: capacity may change by two hundredths a month."""


def trusted(view: View, in_ah: float, out_ah: float, slow_a: float) -> Leg | None:
    """Where the battery stands if that can be told without counting; None under load, in mid-charge, and where voltage tells nothing.

    `slow_a`: mean current of the last hours, for how far slow polarisation may hold the voltage away from rest.
    """
    assert view.span is not None
    at_ms, session, charging = view.span.end_ms, view.charging.session, view.charging
    if session is not None and charging.phase in REGULATED and session.tail_a is not None and is_full(view.battery, session):
        amps = max(0.0, charging.slow_a or 0.0)
        missing = min(5.0, 100 * ACCEPT_H * amps / view.battery.rated_capacity_ah) if view.model.lead else 0.5
        return Leg(at_ms, round(100 - missing, 1), in_ah, out_ah, sd_pct=round(FULL_SD_PCT + ACCEPT_SD * missing, 2), full=True)
    return _calm(view, in_ah, out_ah, slow_a)


def _calm(view: View, in_ah: float, out_ah: float, slow_a: float) -> Leg | None:
    """A voltage next to rest, read from the table."""
    span, battery, session, model = view.span, view.battery, view.charging.session, view.model
    assert span is not None
    current_a, mean_a = span.current_a, view.charging.slow_a
    if current_a is None or mean_a is None or view.belief.habit is None or view.belief.habit.blind:
        return None
    calm_a = CALM_C * battery.rated_capacity_ah
    if abs(current_a) > calm_a or abs(mean_a) > calm_a or abs(slow_a) > 2 * calm_a or span.voltage_v > lifted_v(battery):
        return None
    hours = 1e6 if session is None else (span.end_ms - session.end_ms) / 3_600_000
    if hours < AFTER_CHARGE_H:
        return None
    ohms = estimate.resistance_ohm(model, view.belief)
    volts = estimate.compensated_v(model, view.belief, span.voltage_v, current_a) - SLOW_PART * ohms * slow_a
    pct = estimate.rest_pct(model, volts, span.temperature_c)
    if not any(low <= pct <= high for low, high in battery.kind.voltage_tells):
        return None
    surface_v = SURFACE_CELL_V * exp(-hours / SURFACE_H)
    sd_v = sqrt((battery.cells * REST_CELL_V) ** 2 + (battery.cells * surface_v) ** 2 + (SLOW_DOUBT * ohms * slow_a) ** 2)
    sd_pct = sqrt(REST_SD_PCT**2 + (sd_v * _pct_per_v(view, pct)) ** 2)
    return Leg(span.end_ms, round(pct, 1), in_ah, out_ah, sd_pct=round(sd_pct, 2))


def _pct_per_v(view: View, pct: float) -> float:
    low, high = max(0.0, pct - 5), min(100.0, pct + 5)
    return (high - low) / max(0.001, estimate.rest_v(view.model, high) - estimate.rest_v(view.model, low))


def table_part(battery: Battery) -> float:
    """How far the whole capacity may be off because of the table, as a part of it (one standard deviation)."""
    return TABLE_PUBLISHED if battery.rest_voltage_table is None else TABLE_OWN


def measured(view: View, life: Life, new: Leg | None) -> Life:
    """The life after half an hour that ended at `new`, or where nothing can be told (None).

    A leg grows from `leg` to `far`, the point furthest from it; when the charge has come back from there the leg is weighed, and the next begins.
    """
    leg, far = life.leg, life.far
    if new is None:
        return life
    if leg is None or far is None:
        return changed(life, leg=leg or new, far=None if leg is None else new)
    if abs(new.pct - leg.pct) >= abs(far.pct - leg.pct) - 1.0 and (new.pct - leg.pct) * (far.pct - leg.pct) >= 0:
        far = new
        if abs(far.pct - leg.pct) < 5 and far.sd_pct <= leg.sd_pct + 0.2:
            leg = far  # still where it began, and no worse known
        life = changed(life, leg=leg, far=far)
    if abs(new.pct - far.pct) < BACK_PCT and new.at_ms - leg.at_ms < LONGEST_MS:
        return life
    life = changed(leg_weighed(view, life, leg, far) or _idled(view, life, leg, far), leg=far, far=new)
    known = life.capacity_ah is not None and life.capacity_var < (KNOWN_PART * life.capacity_ah) ** 2
    return changed(life, capacity_new_ah=life.capacity_ah) if known and life.capacity_new_ah is None else life


def so_far(view: View, life: Life) -> Life:
    """The life with the running leg weighed as if it ended now; for telling only."""
    if life.leg is None or life.far is None:
        return life
    return leg_weighed(view, life, life.leg, life.far) or life


def _idled(view: View, life: Life, leg: Leg, far: Leg) -> Life:
    """Self-discharge, where hardly anything else happened for many days."""
    days, out, into = (far.at_ms - leg.at_ms) / 86_400_000, far.out_ah - leg.out_ah, far.in_ah - leg.in_ah
    if days < IDLE_DAYS or leg.full or out > 0.1 * view.battery.rated_capacity_ah or into > 0.02 * out:
        return life
    seen = max(0.0, (leg.pct - far.pct - 100 * out / view.battery.rated_capacity_ah) / days * 30)
    old = life.self_discharge
    return changed(life, self_discharge=round(seen if old is None else old + 0.3 * (seen - old), 2))


def leg_weighed(view: View, life: Life, leg: Leg, new: Leg) -> Life | None:
    """The life with the capacity that this leg tells; None where it is too short to tell any."""
    rose = (new.pct - leg.pct) / 100
    if abs(rose) < (LEAST_PCT if leg.full == new.full or not view.model.lead else FROM_FULL_PCT) / 100:
        return None
    battery, sensor = view.battery, view.battery.sensor
    hours, into, out = (new.at_ms - leg.at_ms) / 3_600_000, new.in_ah - leg.in_ah, new.out_ah - leg.out_ah
    var_x = (leg.sd_pct**2 + new.sd_pct**2) / 1e4
    if leg.full != new.full:  # between two rests the table's offset cancels
        rest = new if leg.full else leg
        var_x += (view.model.table_sd_v * _pct_per_v(view, rest.pct) / 100) ** 2
    if abs(rose) < LEAST_SD * sqrt(var_x):
        return None
    lost = LOST_LITHIUM if not view.model.lead else LOST_FULL if new.full else LOST_PART
    leak = battery.kind.self_discharge_pct_per_month.value / 100 * battery.rated_capacity_ah / 720
    net = into * (1 - lost) - out - (estimate.current_offset_a(view.belief) + leak) * hours
    doubts: tuple[float, ...] = (sensor.current_gain_pct / 100 * net, OFFSET_DOUBT * sensor.current_offset_a * hours, 0.5 * leak * hours)
    sparse_h = min(1.0, (view.use.interval_ms or 0.0) / 3_600_000)
    doubts = (*doubts, SPARSE_PART * sparse_h * into, SPARSE_PART / 3 * sparse_h * out)
    var_y = sum(d * d for d in doubts) + ((LOST_SD_PART if view.model.lead else LOST_LITHIUM) * into) ** 2
    q = net / rose if life.capacity_ah is None else life.capacity_ah
    if not 0.1 < net / rose / battery.rated_capacity_ah < 4.0:
        return None  # a leg that makes no sense: a counter that was wrong, or another battery
    if life.capacity_ah is None:
        return changed(life, capacity_ah=round(q, 1), capacity_var=round((var_y + q * q * var_x) / rose**2, 2))
    before = life.capacity_var + DRIFT_VAR_PER_DAY * battery.rated_capacity_ah**2 * hours / 24
    weight = 1 / (var_y + q * q * var_x)
    believed = (rose * var_y + q * net * var_x) * weight
    known = 1 / before + weight * rose * believed
    joined = (q / before + weight * net * believed) / known
    return changed(life, capacity_ah=round(joined, 1), capacity_var=round(1 / known, 2))
