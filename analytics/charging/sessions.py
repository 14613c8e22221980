"""One charging session as it grows: durations, set-points, currents, temperatures. Figures only; what they mean is judged by the rules."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analytics.charging import window
from analytics.charging.memory import ChargingMemory, Session
from analytics.charging.phases import ALONE_MS, CHARGING, HELD_MS, quiet_a
from analytics.value import changed, new

if TYPE_CHECKING:
    from analytics.battery import Battery
    from analytics.span import Span
    from analytics.view import View

IDLE_MS = 3_600_000
"""Judgement: an hour without charge ends a session; clouds and a load that takes all of it do not."""
SILENT_MS = 1_800_000
LOST_MS = 12 * 3_600_000
"""Judgement: after half a day of silence it is another session."""
SINKING_CELL_V, SETTLED_MS = 0.008, 1_800_000
"""Judgement: a set-point that seems to have come down by 50 mV (six cells) must stand for half an hour, or the sun is only going down."""
SAME_CELL_V = 0.003
"""Judgement: 18 mV (six cells) are the noise and the 10 mV steps of a voltmeter; float current doubles with some 50 mV (trade practice)."""
AT_A_TIME_MS = 600_000
"""Judgement: one look speaks for ten minutes of a rising current at most, however long what lay between was in doubt."""
NO_LESS = 0.9
"""Judgement: a current that runs away is never a tenth below its height; one that recovers from a load is so within minutes."""
ANOTHER_CELL_V = 0.015
"""Judgement: a set-point 0.09 V (six cells) from the one known is another one, of another charger or stage: its times begin anew."""
FIRST_MS, DRIVE_MS = 480_000, 6 * 3_600_000
"""Judgement: after eight minutes the mean of five tells what the source gives; a drive is seldom longer than six hours."""
LEAP_C = 0.10
"""Judgement: a tenth of the capacity per hour, and three times the mean of minutes, is a source that was switched on again."""
REGULATED = frozenset(("absorption", "float", "equalisation"))
SESSION = ChargingMemory._fields.index("session")


def session_after(view: View, memory: ChargingMemory, before: str, voltage_v: float, current_a: float | None, span: Span) -> ChargingMemory:
    """The memory with its session begun, grown or ended by this span. `before` is the phase of the span before."""
    battery, session, phase = view.battery, memory.running, memory.phase
    charging = phase in CHARGING
    if session is not None:
        idle_ms = span.end_ms - session.end_ms
        if idle_ms > LOST_MS or (not charging and idle_ms > IDLE_MS):
            over, session = changed(session, over=True), None
            memory = _counted(battery, changed(memory, session=over, drives=_drives(battery, memory, over)), over)
    if session is None:
        steady = memory.slow_a is None or memory.slow_a > quiet_a(battery) or phase in REGULATED
        if not (charging and before in CHARGING and steady):
            return memory
        pct = None if view.pct is None else round(view.pct, 1)
        begun_ms = span.begin_ms - (0 if span.gap_ms > SILENT_MS else span.gap_ms)
        session = Session(begun_ms, begun_ms, begin_pct=pct, begin_v=_before_v(memory), charge_ah=None if current_a is None else 0.0)
    if not charging:
        return memory
    grown = _grown(battery, memory, before, session, voltage_v, current_a, span)
    leap_a, slow_a = LEAP_C * battery.rated_capacity_ah, memory.slow_a
    if current_a is not None and slow_a is not None and current_a > leap_a and current_a > 3 * slow_a:
        grown = changed(grown, swings=grown.swings + 1)
    if _full_now(battery, session, grown):
        return changed(memory, session=grown, full_ms=span.end_ms, partial=0, partial_since_ms=None)
    return new(ChargingMemory, (*memory[:SESSION], grown, *memory[SESSION + 1 :]))


def all_at_once(battery: Battery, session: Session) -> bool | None:
    """Whether the current was there all at once, as from a plug or an engine, and not little by little, as from the sun; None: cannot tell."""
    if session.first_a is None or session.peak_a is None or session.peak_a < 3 * quiet_a(battery):
        return None
    return session.first_a >= 0.5 * session.peak_a


def _drives(battery: Battery, memory: ChargingMemory, session: Session) -> int:
    """Charges in a row that look like drives: all at once, and over within hours. A charge of a night begins the count anew."""
    lasted_ms = session.end_ms - session.begin_ms
    if lasted_ms > DRIVE_MS:
        return 0
    return min(9, memory.drives + 1) if all_at_once(battery, session) else memory.drives


def _before_v(memory: ChargingMemory) -> float | None:
    return None if memory.slow_v is None else round(memory.slow_v, 2)


def _grown(
    battery: Battery, memory: ChargingMemory, before: str, session: Session, voltage_v: float, current_a: float | None, span: Span
) -> Session:
    lost_ms = span.gap_ms if span.gap_ms > SILENT_MS else 0
    idle_ms = 0 if before in CHARGING else span.begin_ms - span.gap_ms - session.end_ms
    dt_ms = max(0, span.end_ms - session.end_ms - lost_ms - max(0, idle_ms))
    temperature_c, phase = span.temperature_c, memory.phase
    fields: dict[str, object] = {"end_ms": span.end_ms, "ended_in": phase}
    if before not in CHARGING and session.end_ms > session.begin_ms:
        fields["breaks"] = session.breaks + 1
    if lost_ms:
        fields["unseen_ms"] = session.unseen_ms + lost_ms
    if current_a is not None and session.charge_ah is not None:
        mean_a = span.current_a if memory.slow_a is None or dt_ms < 120_000 else memory.slow_a
        fields["charge_ah"] = round(session.charge_ah + (mean_a or 0.0) * dt_ms / 3_600_000, 3)
        slow_a = memory.slow_a
        if session.first_a is None and slow_a is not None and span.end_ms - session.begin_ms >= FIRST_MS:
            fields["first_a"] = round(slow_a, 2)
        if slow_a is not None and (session.peak_a is None or slow_a > session.peak_a):
            fields["peak_a"] = round(slow_a, 2)
    if temperature_c is not None:
        if session.coldest_c is None or temperature_c < session.coldest_c:
            fields["coldest_c"] = temperature_c
        if session.hottest_c is None or temperature_c > session.hottest_c:
            fields["hottest_c"] = temperature_c
        if temperature_c < battery.kind.charge_lowest_c.value and (current_a is None or current_a > plating_a(battery)):
            fields["cold_ms"] = session.cold_ms + dt_ms
            fields["cold_ah"] = round(session.cold_ah + (current_a or 0.0) * dt_ms / 3_600_000, 3)
    if phase == "pulse":
        fields["pulses"] = max(session.pulses, round(memory.pulse_score))
    elif phase in REGULATED:
        _regulated(battery, memory, session, dt_ms, temperature_c, fields)
    else:
        fields["bulk_ms"] = session.bulk_ms + dt_ms
    _watch_high(battery, session, voltage_v, temperature_c, dt_ms, fields)
    return changed(session, **fields)


def plating_a(battery: Battery) -> float:
    """Charging current that counts as charging lithium in the cold: all that is more than the shunt may be wrong by."""
    return quiet_a(battery)


def _regulated(
    battery: Battery, memory: ChargingMemory, session: Session, dt_ms: int, temperature_c: float | None, fields: dict[str, object]
) -> None:
    """A voltage held by a charger: its set-point, its current, and how both move."""
    held, phase, slow_a = memory.held, memory.phase, memory.slow_a
    assert held is not None
    held_v = round(held.voltage_v, 3)
    spent = getattr(session, f"{phase}_ms")
    if spent == 0:
        # The set-point stood for a while before it was recognised; that while was not bulk.
        dt_ms += min(held_for_ms(memory), session.bulk_ms, ALONE_MS)
        fields["bulk_ms"] = max(0, session.bulk_ms - held_for_ms(memory))
        fields["rising_ms"], fields["rising_from_a"] = 0, None
        if phase == "float":
            fields.update(cool_v=None, cool_c=None, warm_v=None, warm_c=None)
    known_v = getattr(session, f"{phase}_v")
    if known_v is not None and held_v > known_v + ANOTHER_CELL_V * battery.cells and phase != "equalisation":
        spent, dt_ms = 0, min(held_for_ms(memory), ALONE_MS)
        session = _begun_anew(phase, session, fields)
    elif phase == "absorption" and session.stretch_ms == 0 and spent:
        session = _begun_anew(phase, session, fields)  # left for float in between: another absorption, with its own end
    below = phase == "float" and known_v is not None and held_v < known_v - ANOTHER_CELL_V * battery.cells
    fields[f"{phase}_ms"] = _float_below_ms(memory, spent) if below else spent + dt_ms
    if phase == "absorption":
        fields["stretch_ms"] = session.stretch_ms + dt_ms
    elif _relieves(battery, memory, held_v, temperature_c):
        fields["stretch_ms"] = 0
    if known_v is None or held_v > known_v - SINKING_CELL_V * battery.cells or held_for_ms(memory) >= SETTLED_MS:
        fields[f"{phase}_v"], fields[f"{phase}_c"] = held_v, temperature_c
    if held_for_ms(memory) >= HELD_MS and temperature_c is not None and phase != "equalisation":
        if session.cool_c is None or temperature_c < session.cool_c or "cool_c" in fields:
            fields["cool_v"], fields["cool_c"] = held_v, temperature_c
        if session.warm_c is None or temperature_c > session.warm_c or "warm_c" in fields:
            fields["warm_v"], fields["warm_c"] = held_v, temperature_c
    if slow_a is not None:
        _regulated_current(battery, phase, session, round(slow_a, 2), dt_ms, fields)
        _watch_rise(battery, memory, session, round(slow_a, 2), temperature_c, min(dt_ms, AT_A_TIME_MS), fields)


def _relieves(battery: Battery, memory: ChargingMemory, held_v: float, temperature_c: float | None) -> bool:
    """Whether the charger has left absorption: a float that stands, and not a little below absorption and far above any float."""
    high_v = window.raised_v(battery, window.float_high_v(battery), temperature_c) + ANOTHER_CELL_V * battery.cells + margin_v(battery)
    return memory.phase == "float" and held_for_ms(memory) >= HELD_MS and held_v <= high_v


def _float_below_ms(memory: ChargingMemory, spent_ms: int) -> int:
    """What lies clearly below the float known is not that set-point any more; once it has settled, it has a time of its own."""
    return held_for_ms(memory) if held_for_ms(memory) >= SETTLED_MS else spent_ms


def _begun_anew(phase: str, session: Session, fields: dict[str, object]) -> Session:
    """The session with what was counted at another, lower set-point of this phase, or before a float, forgotten."""
    session = changed(session, rising_from_a=None, rising_ms=0)
    session = changed(session, tail_ms=0, spent_ms=0, stretch_ms=0) if phase == "absorption" else changed(session, float_least_a=None)
    fields.update(tail_ms=session.tail_ms, spent_ms=session.spent_ms, rising_from_a=None, rising_ms=0)
    return session


def _regulated_current(battery: Battery, phase: str, session: Session, slow_a: float, dt_ms: int, fields: dict[str, object]) -> None:
    """What flows at a held voltage, and for how long next to nothing has."""
    if phase == "absorption":
        fields["tail_a"] = slow_a
        fields["absorption_most_a"] = slow_a if session.absorption_most_a is None else max(slow_a, session.absorption_most_a)
        if slow_a <= tail_a(battery):
            fields["tail_ms"] = session.tail_ms + dt_ms
            if slow_a <= battery.kind.tail_current_c.low * battery.rated_capacity_ah + battery.sensor.current_offset_a:
                fields["spent_ms"] = session.spent_ms + dt_ms
    elif phase == "float":
        fields["float_a"] = slow_a
        fields["float_least_a"] = slow_a if session.float_least_a is None else min(slow_a, session.float_least_a)


def held_for_ms(memory: ChargingMemory) -> int:
    """How long the voltage has stood still."""
    return 0 if memory.held is None or memory.heard_ms is None else memory.heard_ms - memory.held.since_ms


def tail_a(battery: Battery) -> float:
    """The current at which absorption is done, amperes, with the sensor's offset in the battery's favour."""
    return battery.kind.tail_current_c.high * battery.rated_capacity_ah + battery.sensor.current_offset_a


def _watch_rise(
    battery: Battery,
    memory: ChargingMemory,
    session: Session,
    slow_a: float,
    temperature_c: float | None,
    dt_ms: int,
    fields: dict[str, object],
) -> None:
    """A current that rises while the voltage stands: measured from its least since the voltage began to stand.

    A voltage that has come up since then explains a current: the sun, a load that went off, a charger that follows the cold. A current
    that falls from its height again pays back what a load took.
    """
    least, voltage_v, held = session.rising_from_a, memory.voltage_v, memory.held
    assert voltage_v is not None
    assert held is not None
    from_v = session.rising_from_v
    fallen = session.rising_to_a is not None and slow_a < NO_LESS * session.rising_to_a
    lifted = from_v is None or max(voltage_v, held.voltage_v) > from_v + SAME_CELL_V * battery.cells
    if least is None or held_for_ms(memory) < HELD_MS or slow_a < least or lifted or fallen:
        fields["rising_from_a"], fields["rising_ms"], fields["rising_to_a"] = slow_a, 0, None
        fields["rising_from_v"] = round(min(voltage_v, held.voltage_v), 3)
    elif slow_a > 1.5 * max(least, 0.0) + 0.005 * battery.rated_capacity_ah + quiet_a(battery):
        fields["rising_ms"], fields["rising_to_a"] = session.rising_ms + dt_ms, max(slow_a, session.rising_to_a or slow_a)
        if session.rising_ms == 0:  # not since the least current: a morning warms the battery too
            fields["rising_from_c"] = temperature_c


def _watch_high(
    battery: Battery,
    session: Session,
    voltage_v: float,
    temperature_c: float | None,
    dt_ms: int,
    fields: dict[str, object],
) -> None:
    """Time above the absorption window at this temperature, and how high. An equalisation that is allowed does not count."""
    limit_v = window.raised_v(battery, window.absorption_high_v(battery), temperature_c) + margin_v(battery)
    if voltage_v > limit_v and not _equalising(battery, session, voltage_v, temperature_c):
        before = session.high_v
        fields["high_ms"] = session.high_ms + dt_ms
        fields["high_v"] = round(voltage_v if before is None else before + 0.2 * (voltage_v - before), 3)
        fields["high_c"] = temperature_c


def _equalising(battery: Battery, session: Session, voltage_v: float, temperature_c: float | None) -> bool:
    """Whether the high voltage is an equalisation that this battery may have: a step up after absorption, below its limit."""
    top_v = window.equalisation_high_v(battery)
    if top_v is None or voltage_v > window.raised_v(battery, top_v, temperature_c) + margin_v(battery):
        return False
    absorbed_v = session.absorption_v
    return session.absorption_ms >= HELD_MS and absorbed_v is not None and voltage_v > absorbed_v + 0.03 * battery.cells


def margin_v(battery: Battery) -> float:
    """How far beyond a limit a voltage must be to be called beyond it: one and a half deviations of the sensor, and a charger's own 0.1 %."""
    return 1.5 * battery.sensor.voltage_offset_v + 0.0025 * battery.cells


def is_full(battery: Battery, session: Session) -> bool:
    """Whether this session has been seen to fill the battery: tail current held at absorption, or a regulated stage after it."""
    lithium = not battery.kind.lead_acid
    if session.equalisation_ms >= 1_800_000:
        return True
    if session.tail_a is not None:
        if session.tail_ms >= (300_000 if lithium else 1_800_000):
            return True
        return session.float_ms >= 1_800_000 and session.absorption_ms > 0 and session.tail_a <= 2.5 * tail_a(battery)
    if session.absorption_ms > 0 and session.absorption_v is not None:
        return session.absorption_ms >= 4 * 3_600_000 or (session.float_ms >= 1_800_000 and session.absorption_ms >= 3_600_000)
    return session.float_ms >= 12 * 3_600_000


ROOM_PCT = 85.0
"""Judgement: above it a maintained battery stands anyway, and where no current is measured a rise to float looks like a charge."""


def was_filling(battery: Battery, session: Session) -> bool:
    """Whether there was something to fill: a full battery on a maintainer is right to be held low."""
    capacity_ah = battery.rated_capacity_ah
    if session.charge_ah is None:
        begun_low = session.begin_pct is None or session.begin_pct <= ROOM_PCT
        return begun_low and session.bulk_ms >= 1_800_000
    return session.charge_ah >= 0.05 * capacity_ah and (session.peak_a or 0.0) >= 0.03 * capacity_ah


def _full_now(battery: Battery, before: Session, after: Session) -> bool:
    return is_full(battery, after) and any(getattr(after, f"{p}_ms") != getattr(before, f"{p}_ms") for p in REGULATED)


def _counted(battery: Battery, memory: ChargingMemory, session: Session) -> ChargingMemory:
    """A session that ended without filling the battery is remembered as one, if it was worth the name."""
    if is_full(battery, session):
        return memory
    worth = session.bulk_ms + session.absorption_ms >= 3_600_000 if session.charge_ah is None else (
        session.charge_ah >= 0.03 * battery.rated_capacity_ah
    )  # fmt: skip
    if not worth:
        return memory
    since = session.begin_ms if memory.partial_since_ms is None else memory.partial_since_ms
    return changed(memory, partial=memory.partial + 1, partial_since_ms=since)
