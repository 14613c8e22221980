"""The storage calendar: checks and charges done and due. A charge counts once the data show it, whoever says it was done.

Trade practice, without a source except where named: a rest check each month (US Army TM 5-3820-256-24-4 asks for 30 days too), a
charge every three months regardless, a maintainer keeps 95 to 100 %, a check and a charge before and after each use.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, NamedTuple

from analytics import estimate
from analytics.assessment import Due
from analytics.trend.level import charge_of, is_charging
from analytics.value import changed

if TYPE_CHECKING:
    from analytics.reading import Note
    from analytics.view import View

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
CHECK_DAYS = 30
REFRESH_DAYS = 90
BEFORE_HIRE_DAYS = 2
"""Judgement: a charge takes a night, and somebody must drive there."""
MAINTAINED_H = 72.0
"""Judgement: nobody charges for three days without meaning to maintain."""
LATELY_H = 6.0
"""Judgement: six hours within two days at a voltage that only a charger keeps is a charge, even if its end was not seen."""
LATELY = 1 - 1 / 48
HELD_H = 12.0
"""Judgement: after half a day on a charger what it holds is what it holds."""
PROMISE_DAYS = 3
"""Judgement: so long after "charged" was noted the data must show a charge."""
RETURNED_PCT = 85.0
"""Judgement: a battery that is put away with less than this wants a charge first; sulfation begins at 80 % (public battery FAQ)."""


class CareMemory(NamedTuple):
    """What was done. Times in milliseconds."""

    hour: int = -1
    first_ms: int | None = None
    check_ms: int | None = None
    """Last rest check, by the sensor or by hand."""
    check_pct: float | None = None
    charge_ms: int | None = None
    """When the data last showed a charge."""
    lately_h: float = 0.0
    """Hours on a charger lately, fading with two days: a panel charges for a few hours each day."""
    charging_h: float = 0.0
    """Hours on a charger without a break of more than an hour."""
    held_pct: float | None = None
    """State of charge while a maintainer holds it."""
    maintained: bool = False
    """A charger held it for days: from then on its absence is worth a word."""
    promised_ms: int | None = None
    """When the owner noted a charge that the data have not shown yet."""
    mode: str | None = None
    returned_ms: int | None = None
    returned_pct: float | None = None


def update(view: View, memory: CareMemory) -> CareMemory:
    """Called once per closed span and on a tick; works once an hour and when the mode changes."""
    hour = view.now_ms // HOUR_MS
    if hour == memory.hour and view.use.mode == memory.mode:
        return memory
    memory = changed(memory, hour=hour, first_ms=view.now_ms if memory.first_ms is None else memory.first_ms)
    if view.use.mode != memory.mode:
        memory = _turned(view, memory)
    return memory if view.ticked else _watched(view, memory)


def _turned(view: View, memory: CareMemory) -> CareMemory:
    """Put away or taken out; the very first mode is neither."""
    came_back = view.use.mode == "stored" and memory.mode is not None
    charge = charge_of(view)
    pct = None if charge is None else round(charge[0], 1)
    return changed(memory, mode=view.use.mode, returned_ms=view.now_ms if came_back else None, returned_pct=pct if came_back else None)


def _watched(view: View, memory: CareMemory) -> CareMemory:
    """What this hour's data show: a rest check, an hour on the charger, a charge that is done."""
    hour = memory.hour
    charging = is_charging(view)
    charge = charge_of(view)
    pct = None if charge is None else round(charge[0], 1)
    lately = round(memory.lately_h * LATELY + charging, 2)
    hours = memory.charging_h + 1 if charging else 0.0
    maintained = (memory.maintained or hours >= MAINTAINED_H) and view.use.mode == "stored"
    held_pct = pct if charging and hours > HELD_H else memory.held_pct
    check_ms, check_pct = memory.check_ms, memory.check_pct
    points = view.trend.points
    seen_at_rest = bool(points) and hour // 24 - points[-1][0] <= 1
    if charging or seen_at_rest or estimate.is_rested(view.model, view.belief):
        check_ms, check_pct = view.now_ms, pct
    memory = changed(
        memory, charging_h=hours, lately_h=lately, maintained=maintained, held_pct=held_pct, check_ms=check_ms, check_pct=check_pct
    )
    full_ms = max(view.charging.full_ms or 0, estimate.last_full_ms(view.belief) or 0)
    charge_ms = max(memory.charge_ms or 0, full_ms, view.now_ms if charging and lately >= LATELY_H else 0) or None
    return memory if charge_ms == memory.charge_ms else changed(memory, charge_ms=charge_ms, promised_ms=None)


def noted(view: View, memory: CareMemory, note: Note) -> CareMemory:
    """A voltage measured by hand is a check; `charged` is a promise; another battery starts a new calendar."""
    if note.kind == "replaced":
        return CareMemory(first_ms=note.at_ms, mode=memory.mode)
    if note.kind == "check" and isinstance(note.value, int | float):
        pct = estimate.rest_pct(view.model, float(note.value), None if view.span is None else view.span.temperature_c)
        return changed(
            memory, check_ms=note.at_ms, check_pct=round(pct, 1), first_ms=note.at_ms if memory.first_ms is None else memory.first_ms
        )
    if note.kind == "charged":
        return changed(memory, promised_ms=note.at_ms)
    return memory


def hire_ms(text: str | None) -> int | None:
    """The day of the next hire as UTC milliseconds; None where none is declared or it is not a date."""
    if not text:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return int(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000)


def refresh_due_ms(view: View) -> int | None:
    """When the three-monthly charge is due; None where the kind needs none (LiFePO4) or nothing is known yet."""
    memory = view.care
    since_ms = memory.charge_ms if memory.charge_ms is not None else memory.first_ms
    return None if since_ms is None or not view.model.lead else since_ms + REFRESH_DAYS * DAY_MS


def dues_of(view: View) -> tuple[Due, ...]:
    """Everything that is due, soonest first, ahead of time and overdue alike."""
    memory, dues = view.care, []
    last_ms = memory.check_ms if memory.check_ms is not None else memory.first_ms
    if last_ms is not None:
        dues.append(Due("check", last_ms + CHECK_DAYS * DAY_MS, "a rest voltage is looked at once a month"))
    refresh_ms = refresh_due_ms(view)
    if refresh_ms is not None:
        dues.append(Due("refresh", refresh_ms, "a charge every three months, whatever the voltage says"))
    charged_since = memory.charge_ms is not None and memory.returned_ms is not None and memory.charge_ms > memory.returned_ms
    if memory.returned_ms is not None and memory.mode == "stored":
        if memory.returned_pct is not None and memory.returned_pct < RETURNED_PCT and not charged_since:
            said = f"it was put away at {memory.returned_pct:.0f} %"
            dues.append(Due("charge_before_storage", memory.returned_ms + 2 * DAY_MS, said))
        if memory.check_ms is None or memory.check_ms < memory.returned_ms:
            dues.append(Due("check_after_use", memory.returned_ms + DAY_MS, "a check after each use finds what was left on"))
    at_ms = hire_ms(view.battery.next_hire)
    if at_ms is not None and at_ms > view.now_ms - DAY_MS:
        dues.append(Due("check_before_use", at_ms - BEFORE_HIRE_DAYS * DAY_MS, f"the next hire begins on {view.battery.next_hire}"))
    return tuple(sorted(dues, key=lambda d: d.due_ms))
