"""The storage charge is due: by voltage (12.4 V at rest as state of charge of this kind) or after three months, whichever is first."""

from analytics.assessment import Finding
from analytics.care import DAY_MS, PROMISE_DAYS, REFRESH_DAYS, refresh_due_ms
from analytics.rules.rule import HOLD, Judgement, Rule, Said
from analytics.rules.wording import charge_evidence, charge_with_interval, charging_caution, on_day
from analytics.trend.level import charge_of, is_charging
from analytics.view import View

CLEAR_PCT = 8.0
"""Judgement: more than the table's own spread, so that a warm day does not pass for a charge."""


def judge(view: View, standing: bool) -> Judgement:
    if view.use.mode != "stored":
        return None
    charge, kind, due_ms = charge_of(view), view.battery.kind, refresh_due_ms(view)
    if due_ms is not None and view.now_ms >= due_ms:
        return Said("refresh_due", "low", lambda: _finding(view, due_ms))
    check_pct = kind.storage_check_pct.value
    if charge is None or charge[0] >= check_pct + (CLEAR_PCT if standing else 0.0):
        return None
    if view.ticked or is_charging(view) or charge[2] - charge[0] > 20.0:
        return HOLD
    return Said("refresh_due", "low", lambda: _finding(view, None))


def _finding(view: View, due_ms: int | None) -> Finding:
    """By time if `due_ms` is given, else by voltage."""
    care, kind, by_time = view.care, view.battery.kind, due_ms is not None
    if due_ms is not None:
        seen = f"The data show no finished charge for {REFRESH_DAYS} days (since {on_day(due_ms - REFRESH_DAYS * DAY_MS)})."
    else:
        seen = f"The battery is {charge_with_interval(view)}; in storage it should not rest below {kind.storage_check_pct.value:.0f} %."
    promised = care.promised_ms
    if promised is not None and view.now_ms - promised > PROMISE_DAYS * DAY_MS:
        seen += f" A charge was noted on {on_day(promised)}, but the data do not show one."
    meaning = (
        f"{kind.a_title_first} battery that rests partly charged hardens its plates (sulfation); a full charge every three months undoes what is fresh."
        if kind.lead_acid
        else f"{kind.a_title_first} battery is best stored at 40 to 60 %; lower, its own drain empties it."
    )
    return Finding(
        "refresh_due",
        "low",
        "The storage charge is due",
        seen,
        meaning,
        "Charge it until the charger says full." if kind.lead_acid else "Charge it to about 60 %.",
        charging_caution(view),
        (
            *charge_evidence(view),
            ("storage_check_pct", kind.storage_check_pct.value),
            ("last_charge_ms", care.charge_ms),
            ("due_by", "time" if by_time else "voltage"),
        ),
        "common practice: every three months regardless, no source" if by_time else kind.storage_check_pct.source,
    )


def over(view: View) -> str:
    charged = view.care.charge_ms
    if charged is not None and view.now_ms - charged < 2 * DAY_MS:
        return f"A charge was seen in the data; the battery is {charge_with_interval(view)}."
    return f"The battery is {charge_with_interval(view)}."


REFRESH_DUE = Rule("refresh_due", 6 * 3600, 6 * 3600, judge, over)
