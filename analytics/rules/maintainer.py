"""A maintainer holds a stored battery at 95 to 100 %: it has stopped, or it does not hold it full."""

from analytics.assessment import Finding
from analytics.care import DAY_MS
from analytics.rules.rule import HOLD, Judgement, Rule
from analytics.rules.wording import caution, charge_evidence, charge_with_interval, lasting, on_day
from analytics.view import View

STOPPED_MS = DAY_MS
"""Judgement: a day without it, for some maintainers rest for hours between two pulses."""
HOLDS_PCT = 90.0
"""Common practice asks for 95 to 100 %, no source; five points for the estimate's own error."""
LONG_H = 96.0
"""Judgement: after four days on a maintainer a battery is as full as it will get."""


def judge(view: View, standing: bool) -> Judgement:
    care = view.care
    if view.use.mode != "stored" or not care.maintained or care.charge_ms is None:
        return None
    away_ms = view.now_ms - care.charge_ms
    if care.charging_h == 0 and away_ms >= STOPPED_MS:
        if view.ticked and not standing:
            return HOLD
        return _finding(
            view,
            "The maintainer has stopped",
            f"The battery was held on a charger until {on_day(care.charge_ms)}; nothing has charged it for {lasting(away_ms / 3_600_000)}.",
            "Look at the maintainer: plug, fuse, mains supply, clamps.",
        )
    span, held_pct = view.span, care.held_pct
    float_v = view.battery.kind.float_charge.low * view.battery.cells
    weak = span is not None and span.voltage_v < float_v
    if care.charging_h >= LONG_H and held_pct is not None and held_pct < HOLDS_PCT and (weak or standing):
        return _finding(
            view,
            "The maintainer does not hold it full",
            f"The battery has been on a charger for {lasting(care.charging_h)} and is only {charge_with_interval(view)}.",
            "Compare the maintainer's voltage with the battery's sheet; it may be too low, or a load takes what it gives.",
        )
    return None


def _finding(view: View, title: str, seen: str, advice: str) -> Finding:
    kind = view.battery.kind
    return Finding(
        "maintainer",
        "low",
        title,
        seen,
        f"A stored {kind.title} battery is meant to be kept at 95 to 100 %; without that it discharges itself.",
        advice,
        caution("mains"),
        (
            ("last_charge_ms", view.care.charge_ms),
            ("hours_on_charger", view.care.charging_h),
            *charge_evidence(view),
        ),
        "common practice: maintain at 95 to 100 %, no source",
    )


def over(view: View) -> str:
    if view.care.charging_h > 0:
        return f"The charger is at work again; the battery is {charge_with_interval(view)}."
    return f"The battery is {charge_with_interval(view)}."


MAINTAINER = Rule("maintainer", 6 * 3600, 24 * 3600, judge, over)
