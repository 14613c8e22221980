"""Before it happens: the early end of the time until the safe limit is within the owner's response time, or will be before the next look.

It goes once the early end is half a response time and at least a day further away than that (so the late end is, too), or nothing
falls any more.
"""

from analytics.assessment import Finding
from analytics.care import HELD_H
from analytics.rules.rule import HOLD, Judgement, Rule, Said
from analytics.rules.wording import ahead, amperes, charge_evidence, charge_with_interval, charging_caution, lasting, on_day
from analytics.trend.forecast import expected_low_pct, is_steep
from analytics.trend.level import SMALL_C, charge_of, is_charging
from analytics.trend.points import QUICK
from analytics.view import View

HOUR_MS = 3_600_000
MARGIN = 0.5
LEAST_H = 24.0
"""Judgement: in storage it is over when a whole day more is in hand, or it would come and go with every night."""
LEAST_IN_USE_H = 6.0
"""Judgement: on tour it is over when the evening is safe; the next evening has its own warning, and none stands for weeks."""
LOOK_H, LINE_H = 0.5, 18.0
"""How long until the next look, so that what is said only then is still in time: near the limit the balance of charge is renewed every
quarter of an hour and must hold for another; a line through rest voltages is drawn anew once a day, and may have moved by most of one."""
DAY_H = 24
LIKELY_PCT = 4.0
"""Judgement: on tour an early end at dawn, before a sun that usually suffices, comes true once in twenty days. A warning is worth a trip to a
socket where the middle of the forecast, too, comes so near the limit within a day."""
CLOSE_PCT = 3.0
"""Judgement: with the low end of its charge so near the limit, a slow fall is a matter of a point or two of charge, and a line through
voltages in steps of 10 mV trembles by as much: what stands does not end, and what lies but half a response time further off begins."""
NEAR_PCT = 15.0
"""Judgement: far enough for a charge to have been one; a line that flattens on LiFePO4's plateau is none."""
CLEAR_PCT = 5.0
"""Judgement: an alert that came true does not end because nothing is left to fall."""


def response_h(view: View) -> float:
    """The owner's response time for how the vehicle is used now, hours.

    Until it is known whether this is a trip or a load left on, a current that flows is taken for a trip; a slow fall never is.
    """
    forecast = view.trend.forecast
    if view.use.since_ms is None and not view.use.by_hand and forecast is not None and forecast.basis == "charge balance":
        return view.battery.response_in_use_h
    return view.battery.response_in_use_h if view.use.mode == "in use" else view.battery.response_stored_h


def judge(view: View, standing: bool) -> Judgement:
    forecast = view.trend.forecast
    if forecast is None or forecast.basis.startswith("cannot judge"):
        return HOLD if standing and (forecast is None or "charged" not in forecast.basis) else None
    if is_charging(view) and not _draws_more(view):
        return HOLD if standing and not _is_lifted(view, forecast.limit_pct) else None
    if forecast.earliest_ms is None:
        return HOLD if standing and _still_low(view, forecast.limit_pct) else None
    stored_line = view.use.mode == "stored" and forecast.basis == "rest voltage slope"
    within_h = response_h(view) + (LINE_H if stored_line else LOOK_H)
    if standing:
        within_h = max(within_h * (1 + MARGIN), within_h + (LEAST_IN_USE_H if view.use.mode == "in use" else LEAST_H))
    elif stored_line and _is_close(view, forecast.limit_pct + CLOSE_PCT):
        within_h *= 1 + MARGIN
    stands_pct = forecast.limit_pct + (CLOSE_PCT if view.model.lead else NEAR_PCT)
    if forecast.earliest_ms - view.now_ms > within_h * HOUR_MS and not (standing and _is_close(view, stands_pct)):
        return None
    if not standing and view.use.mode == "in use" and not _is_likely(view, forecast.limit_pct):
        return None
    return Said("forecast_low", "medium", lambda: _finding(view))


def _is_likely(view: View, limit_pct: float) -> bool:
    """Not only the early end: what is to be expected of the day ahead comes near the limit as well."""
    expected_pct = expected_low_pct(view, DAY_H)
    return expected_pct is None or expected_pct <= limit_pct + LIKELY_PCT


def _is_lifted(view: View, limit_pct: float) -> bool:
    """A charger has done its work: what it holds, or has charged for half a day, is not falling."""
    charge = charge_of(view)
    return view.care.charging_h >= HELD_H or (charge is not None and charge[1] >= limit_pct + NEAR_PCT)


def _draws_more(view: View) -> bool:
    """On a trip the loads take as much as the panel gives, or nearly: the evening's warning must not wait until the sun is quite gone."""
    span, recent_a = view.span, view.trend.recent_a
    if view.use.mode != "in use" or span is None or span.current_a is None:
        return False
    return span.current_a < 0 or (recent_a is not None and max(span.current_a, recent_a) < SMALL_C * view.model.capacity_ah)


def _is_close(view: View, close_pct: float) -> bool:
    """A stored battery that still falls, its low end close to the limit."""
    charge = charge_of(view)
    return view.use.mode == "stored" and charge is not None and charge[1] < close_pct


def _still_low(view: View, limit_pct: float) -> bool:
    """What does not visibly fall has not risen for that: near the limit only a charge, or a rest voltage that rises, ends the alert."""
    charge, trend = charge_of(view), view.trend
    if charge is None or charge[0] < limit_pct + CLEAR_PCT:
        return charge is not None
    charged = trend.charged_ms is not None and view.now_ms - trend.charged_ms < 3 * 24 * HOUR_MS
    rising = trend.slope is not None and trend.slope[0] > 0.02
    return not charged and charge[1] < limit_pct + (CLEAR_PCT if rising else NEAR_PCT)


def _finding(view: View) -> Finding:
    forecast, battery, load = view.trend.forecast, view.battery, view.trend.load
    assert forecast is not None
    early, late, now_ms = forecast.earliest_ms, forecast.latest_ms, view.now_ms
    assert early is not None
    limit = f"{forecast.limit_pct:.0f} %"
    if early <= now_ms:
        title, passes = f"May be below {limit} already", f"it may be below the limit of {limit} already"
    else:
        when = ahead(early, now_ms)
        title, passes = f"May fall below {limit} {when}", f"it may fall below the limit of {limit} {when}"
    if late is None:
        latest = "how long it will last at best cannot be told"
    elif late <= now_ms:
        latest = "most likely it is"
    else:
        latest = f"at the latest it {'is' if early <= now_ms else 'does'} {ahead(late, now_ms)}" + (
            f" ({on_day(late)})" if late - now_ms > 48 * HOUR_MS else ""
        )
    taking = "" if load is None else f" About {amperes(load.current_a)} is always taken from it."
    days, fall_pct = _fall(view)
    if forecast.basis == "charge balance":
        how = "from the charge that goes in and out over the day"
    else:
        how = f"from the rest voltages of {days} days" + (f", falling {fall_pct:.1f} % a day" if fall_pct is not None else "")
    return Finding(
        "forecast_low",
        "medium",
        title,
        f"The battery is {charge_with_interval(view)}. Worked out {how}, {passes}; {latest}.{taking}",
        f"Below the limit {battery.kind.a_title} battery ages fast; charged in time, it takes no harm.",
        "Charge it, or switch off what takes the current, before then.",
        charging_caution(view),
        (
            *charge_evidence(view),
            ("safe_limit_pct", forecast.limit_pct),
            ("earliest_ms", early),
            ("latest_ms", late),
            ("earliest_h", round((early - now_ms) / HOUR_MS, 1)),
            ("latest_h", None if late is None else round((late - now_ms) / HOUR_MS, 1)),
            ("fall_pct_per_day", None if fall_pct is None else round(fall_pct, 2)),
            ("days_seen", days),
            ("standing_load_a", None if load is None else load.current_a),
            ("response_h", response_h(view)),
        ),
        "judgement: early end of a 90 % interval within the owner's response time; slope after Sen 1968",
    )


def _fall(view: View) -> tuple[int, float | None]:
    """Over how many days it was seen to fall, and by how many percent a day."""
    trend = view.trend
    if trend.slope is not None and trend.quick is not None and trend.quick < trend.slope[0] and is_steep(view, trend):
        return QUICK, -trend.quick
    return len(trend.points), None if trend.slope is None else -trend.slope[0]


def over(view: View) -> str:
    forecast = view.trend.forecast
    if forecast is None or forecast.earliest_ms is None:
        return f"The battery is {charge_with_interval(view)} and does not fall any more."
    if forecast.earliest_ms <= view.now_ms:
        return f"The battery is {charge_with_interval(view)} and is being watched."
    return f"The battery is {charge_with_interval(view)}; it is not expected below the limit before {lasting((forecast.earliest_ms - view.now_ms) / HOUR_MS)} from now."


FORECAST_LOW = Rule("forecast_low", 900, 6 * 3600, judge, over, "in use")
