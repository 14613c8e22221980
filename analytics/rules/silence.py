"""Nothing heard: its own answer, neither "fine" nor "low". Only time can tell, so it is judged on ticks."""

from analytics.assessment import Finding
from analytics.rules.rule import Judgement, Rule
from analytics.rules.wording import charge_evidence, charge_with_interval, lasting, on_day
from analytics.view import View

HOUR_MS = 3_600_000
STORED_MS = 20 * HOUR_MS
"""Judgement: said within a day, and a night in a radio shadow is not an alarm."""
IN_USE_MS = 1 * HOUR_MS
"""Judgement: on a trip an hour without a word is worth a look."""
USUAL = 6.0
"""Judgement: six times the usual wait."""
LATEST_MS = 23 * HOUR_MS
DAILY_MS = 30 * HOUR_MS
"""A sensor that speaks once a day, or of which only one word was heard yet, is silent after a day and a quarter. Judgement."""


def patience_ms(view: View) -> float:
    """How long this battery may say nothing, milliseconds."""
    declared_s = view.battery.reading_interval_s
    usual_ms = view.use.interval_ms if declared_s is None else 1000 * declared_s
    if usual_ms is None:
        return DAILY_MS
    shortest = IN_USE_MS if view.use.mode == "in use" else STORED_MS
    if usual_ms > LATEST_MS / 1.5:
        return max(DAILY_MS, 1.25 * usual_ms)
    return min(float(LATEST_MS), max(shortest, USUAL * usual_ms))


def judge(view: View, standing: bool) -> Judgement:
    span = view.span
    if not view.ticked or span is None:
        return None
    silent_ms = view.now_ms - span.end_ms
    if silent_ms < patience_ms(view):
        return None
    silent_h = silent_ms / HOUR_MS
    forecast = view.trend.forecast
    near = forecast is not None and forecast.earliest_ms is not None and forecast.earliest_ms < view.now_ms + 7 * 24 * HOUR_MS
    meaning = (
        "Its state cannot be judged: this is neither fine nor low. The sensor, its power, its radio or the battery itself may have failed."
    )
    if near:
        meaning += " The battery was on its way down and may pass the safe limit within a week."
    return Finding(
        "silence",
        "medium" if near else "low",
        f"Silent for {lasting(silent_h)}",
        f"Nothing has been heard since {on_day(span.end_ms)}, {lasting(silent_h)} ago, then at {span.voltage_last_v:.2f} V. "
        f"By all that is known the battery is {charge_with_interval(view)}.",
        meaning,
        "Look whether the sensor has power and signal; measure the voltage by hand and note it if that takes longer.",
        "",
        (
            ("silent_h", round(silent_h, 1)),
            ("last_heard_ms", span.end_ms),
            ("usual_interval_s", None if view.use.interval_ms is None else round(view.use.interval_ms / 1000)),
            ("last_voltage_v", round(span.voltage_last_v, 3)),
            *charge_evidence(view),
        ),
        "judgement: said within a day; in use after an hour or six times the usual wait",
    )


def over(view: View) -> str:
    return f"Heard again: the battery is {charge_with_interval(view)}."


SILENCE = Rule("silence", 0, 0, judge, over, "always")
