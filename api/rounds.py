"""The operator's morning: one row a vehicle with one action, the earliest damage first. Pure; the time is handed in.

It ranks and words what the analytics found. It judges no battery itself, and it never calls a thing done because somebody
says so: done is proven by what the sensor saw afterwards.
"""

from collections.abc import Iterable, Sequence
from datetime import date
from typing import Literal, NamedTuple

from analytics.assessment import Assessment, Due, Finding
from analytics.battery import Battery
from api.ports import Alert
from api.words import CARE, CHARGING, DAY_MS, HOUR_MS, briefly, by, current, day, since

Sort = Literal["charge", "isolate", "look", "visit", "cannot judge", "care", "done", "fine"]
"""What kind of action it is: in words, so that nothing hangs on a colour."""

SOON_MS = 14 * DAY_MS
"""Judgement: damage within two weeks belongs on this morning's sheet even if no alert has begun."""
STANDING_LOAD_A = 0.03
"""Judgement: above 30 mA something was left on; alarms and trackers take less (check values: 20 mA empties 100 Ah in 78 days, 50 mA in 35)."""
SILENT_MS = DAY_MS
"""Judgement: a sensor that spoke within a day is not worth a drive; the alert for silence comes sooner."""
FAR_PCT = 5.0
"""Judgement: a day's use above the limit, on top of what the interval allows for."""
PROOF_MS = 7 * DAY_MS
"""Judgement: a week of what was done, so that Monday sees the whole of last week."""


SILENCE = "silence"
OF_CHARGE = frozenset({"low_voltage", "forecast_low", "deep_discharge", "standing_load", "returned_low", "freezing", "sulfation"})
"""Names of rules (analytics.rules) whose findings a charge, or less load, mends."""


class Situation(NamedTuple):
    """All that is known of one vehicle's battery when the sheet is made."""

    battery: Battery
    assessment: Assessment | None
    heard_ms: int | None
    alerts: Sequence[Alert] = ()
    """Those that hold, and those that ended within the last week."""


class Row(NamedTuple):
    """One row. Times are UTC milliseconds; None where there is none."""

    battery_id: str
    vehicle: str
    site: str
    sort: Sort
    action: str
    """One action, such as `charge by Friday 4 December`."""
    why: str
    earliest_damage_ms: int | None
    due_ms: int | None
    next_hire: str | None
    owner: str
    alert_id: str | None
    """The alert that this row is about: what is acknowledged here."""
    priority: str | None
    acknowledged_ms: int | None
    acknowledged_by: str | None
    shelved_until_ms: int | None
    proof: str
    """What was seen after somebody took it on: proof that it is done, or that it is not."""
    stands: str = ""
    """How it stood when it was last heard, in a line."""


class _Choice(NamedTuple):
    sort: Sort
    action: str
    why: str
    due_ms: int | None = None
    alert: Alert | None = None


def sheet(situations: Iterable[Situation], now_ms: int, site: str | None = None, *, fine: bool = False) -> list[Row]:
    """The rows by earliest damage, then next hire, then site. Vehicles that need nothing are left out unless `fine`."""
    rows = [row_of(s, now_ms) for s in situations if site is None or s.battery.site == site]
    return sorted((row for row in rows if fine or row.sort != "fine"), key=order)


def order(row: Row) -> tuple[bool, float, str, str, str, str]:
    """What is done or fine comes last; else the date of the earliest damage, the next hire, the site."""
    damage = float("inf") if row.earliest_damage_ms is None else float(row.earliest_damage_ms)
    return (row.sort in ("done", "fine"), damage, row.next_hire or "9999-12-31", row.site, row.vehicle, row.battery_id)


def row_of(s: Situation, now_ms: int) -> Row:
    choice = _choice(s, now_ms)
    alert, battery = choice.alert, s.battery
    return Row(
        battery.id, battery.vehicle or battery.id, battery.site, choice.sort, choice.action, choice.why,
        None if choice.sort in ("done", "fine") else earliest_damage_ms(s, now_ms), choice.due_ms, battery.next_hire, battery.owner,
        None if alert is None else alert.id, None if alert is None else alert.priority,
        None if alert is None else alert.acknowledged_ms, None if alert is None else alert.acknowledged_by,
        None if alert is None else alert.shelved_until_ms, _proof(s, alert, now_ms),
        briefly(s.assessment, s.heard_ms, now_ms),
    )  # fmt: skip


def earliest_damage_ms(s: Situation, now_ms: int) -> int | None:
    """The early end of the forecast, today at the earliest unless its late end is past, too; under a high alert, when that began."""
    times = [alert.began_ms for alert in standing(s, now_ms) if alert.priority == "high" and not _is_silence(alert.finding)]
    forecast = None if s.assessment is None or _charging(s.assessment) else s.assessment.details.forecast
    if forecast is not None and forecast.earliest_ms is not None:
        surely = forecast.latest_ms is not None and forecast.latest_ms <= now_ms
        times.append(forecast.earliest_ms if surely else max(forecast.earliest_ms, now_ms))
    return min(times, default=None)


def standing(s: Situation, now_ms: int) -> list[Alert]:
    """Alerts that hold and about which nobody asked to be quiet, the gravest and oldest first."""
    rank = {"high": 0, "medium": 1, "low": 2}
    held = [a for a in s.alerts if a.ended_ms is None and not a.out_of_service and (a.shelved_until_ms or 0) <= now_ms]
    return sorted(held, key=lambda a: (rank.get(a.priority, 3), a.began_ms, a.id))


def _choice(s: Situation, now_ms: int) -> _Choice:
    """The first that applies, in this order: silent, charge, isolate, another alert, care, cannot judge, done, fine."""
    for ask in (_silent, _running_low, _other_alert, _care, _unjudged, _done):
        choice = ask(s, now_ms)
        if choice is not None:
            return choice
    return _Choice("fine", "nothing to do", "")


def _is_silence(finding: Finding) -> bool:
    return finding.rule == SILENCE


def _silent(s: Situation, now_ms: int) -> _Choice | None:
    held = standing(s, now_ms)
    alert = next((a for a in held if _is_silence(a.finding)), held[0] if held else None)
    if s.heard_ms is None:
        return _Choice(
            "cannot judge", "cannot judge: nothing heard yet, look at the sensor", "No reading has come since it was declared.", None, alert
        )
    quiet_ms = now_ms - s.heard_ms
    if quiet_ms < max(SILENT_MS, 3000 * (s.battery.reading_interval_s or 0)):
        return None
    why = "Nothing is known since: sensor, gateway or its supply may have failed, or the battery is empty."
    due_ms = min((ms for ms in (earliest_damage_ms(s, now_ms), _hire_ms(s.battery)) if ms is not None), default=None)
    return _Choice("visit", f"visit: silent {since(quiet_ms)}", why, due_ms, alert)


def _hire_ms(battery: Battery) -> int | None:
    """The morning (UTC) of the next hire."""
    try:
        when = date.fromisoformat(battery.next_hire or "")
    except ValueError:
        return None
    return (when.toordinal() - date(1970, 1, 1).toordinal()) * DAY_MS


def _running_low(s: Situation, now_ms: int) -> _Choice | None:
    if s.assessment is None:
        return None
    forecast, load = s.assessment.details.forecast, s.assessment.details.standing_load
    alert = next((a for a in standing(s, now_ms) if a.rule in OF_CHARGE), None)
    if _charging(s.assessment):  # what was foretold before the charge does not hold any more
        return (
            None
            if alert is None
            else _Choice(
                "charge",
                "let it charge until it is full",
                f"It is being charged. Still open: {alert.today(s.assessment).title}",
                None,
                alert,
            )
        )
    if forecast is None or forecast.earliest_ms is None or forecast.earliest_ms - now_ms > SOON_MS:
        return None
    why = alert.today(s.assessment).title if alert is not None else f"It may reach its limit of {forecast.limit_pct:.0f} % by then."
    far = forecast.earliest_ms - now_ms > 3 * DAY_MS  # judgement: with less than three days it is charged first, whatever drains it
    if load is not None and load.low_a > STANDING_LOAD_A and far:
        return _Choice("isolate", f"isolate: {current(load.current_a)} standing load", why, forecast.earliest_ms, alert)
    return _Choice("charge", by("charge", forecast.earliest_ms, now_ms), why, forecast.earliest_ms, alert)


def _charging(assessment: Assessment) -> bool:
    return assessment.charge_phase in CHARGING


def _other_alert(s: Situation, now_ms: int) -> _Choice | None:
    for alert in standing(s, now_ms):
        if not _is_silence(alert.finding):
            finding = alert.today(s.assessment)
            return _Choice("look", _in_a_row(finding.advice) or "look at it", finding.title, None, alert)
    return None


def _care(s: Situation, now_ms: int) -> _Choice | None:
    dues: tuple[Due, ...] = () if s.assessment is None else s.assessment.details.dues
    near = min((due for due in dues if due.due_ms - now_ms <= PROOF_MS), key=lambda due: due.due_ms, default=None)
    if near is None:
        return None
    return _Choice("care", by(CARE.get(near.what, near.what), near.due_ms, now_ms), near.reason, near.due_ms)


def _unjudged(s: Situation, now_ms: int) -> _Choice | None:
    """It speaks, and yet nothing can be said of it. Sort of its own: neither fine nor in danger."""
    if s.assessment is None:
        return _Choice("cannot judge", "cannot judge: too little was seen so far", "")
    forecast = s.assessment.details.forecast
    if forecast is None or not forecast.basis.startswith("cannot judge") or _well_charged(s.assessment, forecast.limit_pct):
        return None
    return _Choice("cannot judge", forecast.basis, "")


def _well_charged(assessment: Assessment, limit_pct: float) -> bool:
    """Far above its limit, and on a charger or in use: nobody need foresee its fall this morning."""
    low = assessment.state_of_charge_low_pct
    tended = _charging(assessment) or assessment.details.mode == "in use"
    return tended and low is not None and low >= limit_pct + FAR_PCT


def _done(s: Situation, now_ms: int) -> _Choice | None:
    ended = [a for a in s.alerts if a.ended_ms is not None and now_ms - a.ended_ms <= PROOF_MS and not _is_silence(a.finding)]
    if not ended:
        return None
    last = max(ended, key=lambda a: a.ended_ms or 0)
    return _Choice("done", "done", last.finding.title, None, last)


def _proof(s: Situation, alert: Alert | None, now_ms: int) -> str:
    """What the sensor saw after the alert was acknowledged, or after it ended."""
    if alert is None or (alert.acknowledged_ms is None and alert.ended_ms is None):
        return ""
    a = s.assessment
    taken_ms = alert.acknowledged_ms if alert.acknowledged_ms is not None else alert.ended_ms
    if a is None or s.heard_ms is None or taken_ms is None or s.heard_ms <= taken_ms or a.voltage_v is None:
        return "" if alert.ended_ms is not None else "Nothing has been seen since."
    seen = f"{a.voltage_v:.2f} V seen {day(a.at_ms)}"
    if a.state_of_charge_pct is not None:
        seen += f", about {a.state_of_charge_pct:.0f} %"
    if alert.ended_ms is not None:
        return f"Proven: {seen}."
    return f"Not done yet: {seen}." if now_ms - taken_ms > HOUR_MS else f"So far {seen}."


def _in_a_row(advice: str) -> str:
    """Its first sentence, as it stands behind the vehicle's name: `switch the charger off`."""
    head = advice.partition(". ")[0].strip().removesuffix(".")
    return head if head[1:2].isupper() else head[:1].lower() + head[1:]
