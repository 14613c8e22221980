"""The slow part of an assessment, gathered from the components into what API and page show."""

from analytics import care, estimate
from analytics.ageing import telling as ageing_telling
from analytics.assessment import Details, Due, Evidence, Finding, Untold
from analytics.charging.describe import evidence_of as session_of
from analytics.rules.rule import Said, finding_of
from analytics.rules.wording import ahead, amperes, charge_with_interval, lasting, on_day
from analytics.trend.freezing import Freezing, freezing_of
from analytics.view import View

EVERY_MS = 900_000
STRONG_C = 0.05
"""Judgement: with less than a twentieth of the capacity per hour the charge moves by 1.3 points in a quarter of an hour at most, so a
sentence so old agrees with the number beside it. The forecast, the dues and the ageing are themselves renewed hourly at most."""

NEAR_MS = 2 * 86_400_000
"""Judgement: farther ahead, a time is said in days."""


def is_old(view: View, judged_ms: int, details: Details | Untold, findings: tuple[Finding | Said, ...]) -> bool:
    """Whether the details want making anew though nothing began, ended or changed: who reads them has to keep and send them anew, too.

    A quarter of an hour by the clock and not since the last ones, for details are not kept: a state that was kept and loaded makes
    them at the same times as one that was not. A strong current, a new anchor, a tick or another set of findings has them made at once.
    """
    span, anchor = view.span, view.belief.anchor
    if details.at_ms == 0 or view.ticked or view.now_ms // EVERY_MS != judged_ms // EVERY_MS:
        return True
    if anchor is not None and anchor.at_ms > details.at_ms:
        return True
    if span is not None and span.current_a is not None and abs(span.current_a) > STRONG_C * view.battery.rated_capacity_ah:
        return True
    return [(f.rule, f.priority) for f in findings] != [(f.rule, f.priority) for f in details.findings]


def details_of(view: View, findings: tuple[Finding | Said, ...]) -> Untold:
    """As of after the rules were judged; each component says its own part once somebody asks. The view is not changed any more."""
    return Untold(view.now_ms, findings, lambda: _said(view, findings), _gist(view, findings))


def _gist(view: View, findings: tuple[Finding | Said, ...]) -> tuple[object, ...] | None:
    """What a person acts on. None where the figures themselves count: with a finding, and near the limit."""
    forecast, session = view.trend.forecast, view.charging.session
    if findings or (forecast is not None and forecast.earliest_ms is not None and forecast.earliest_ms - view.now_ms < NEAR_MS):
        return None
    running = session is not None and not session.over
    return view.use.mode, view.charging.phase, running, None if forecast is None else (forecast.basis, forecast.earliest_ms is None)


def _said(view: View, findings: tuple[Finding | Said, ...]) -> Details:
    trend, dues, freezing = view.trend, care.dues_of(view), freezing_of(view)
    return Details(
        at_ms=view.now_ms,
        mode=view.use.mode,
        forecast=trend.forecast,
        standing_load=trend.load,
        dues=dues,
        learned=estimate.learned(view.model, view.belief),
        findings=tuple(f for f in map(finding_of, findings) if f is not None),
        exposure=_exposure(view, freezing),
        session=session_of(view.battery, view.charging),
        ageing=ageing_telling.evidence_of(view),
        sentences=(
            _state(view),
            _forecast(view),
            *_load(view),
            *_cold(view, freezing),
            *(_due(view, d) for d in dues[:1]),
            *ageing_telling.sentences_of(view),
        ),
    )


def _exposure(view: View, freezing: Freezing | None) -> Evidence:
    """Time and depth spent low, and how far from freezing."""
    exposure = view.trend.exposure
    return (
        ("low_h", exposure.low_h),
        ("depth_pct_h", exposure.depth_pct_h),
        ("lowest_pct", exposure.lowest_pct),
        ("lowest_ms", exposure.lowest_ms),
        ("freezing_point_c", None if freezing is None else freezing.point_c),
        ("freezing_margin_k", None if freezing is None else freezing.margin_k),
    )


def _state(view: View) -> str:
    used = "in storage" if view.use.mode == "stored" else "in use"
    return f"The battery is {charge_with_interval(view)}, {used}."


def _forecast(view: View) -> str:
    forecast = view.trend.forecast
    if forecast is None:
        return "Where it is heading cannot be judged yet."
    if forecast.basis.startswith("cannot judge"):
        return f"Where it is heading cannot be judged: {forecast.basis.partition(': ')[2]}."
    if forecast.earliest_ms is None:
        return "It does not fall towards its limit."
    if forecast.earliest_ms <= view.now_ms:
        return f"It may be below its limit of {forecast.limit_pct:.0f} % already."
    return f"It reaches its limit of {forecast.limit_pct:.0f} % {ahead(forecast.earliest_ms, view.now_ms)} at the earliest."


def _load(view: View) -> tuple[str, ...]:
    load = view.trend.load
    if load is None:
        return ()
    said = f"About {amperes(load.current_a)} ({amperes(load.low_a)} to {amperes(load.high_a)}) is always taken from it, since {on_day(load.since_ms)}."
    if load.basis == "rest voltage slope" and view.span is not None and view.span.current_a is not None:
        error_a = 1.645 * view.battery.sensor.current_offset_a
        said += f" The current sensor's own error (up to {amperes(error_a)}) hides it; the fall of the rest voltage shows it."
    return (said,)


def _cold(view: View, freezing: Freezing | None) -> tuple[str, ...]:
    if view.battery.kind.freezing is None:
        return ()
    if freezing is not None:
        return (f"Freezing is {freezing.margin_k:.0f} K away." if freezing.margin_k < 15 else "Frost is no danger to it now.",)
    if view.span is not None and view.span.temperature_c is None:
        return ("Whether it may freeze cannot be judged: no temperature is measured and no coldest night is noted.",)
    return ()


def _due(view: View, due: Due) -> str:
    names = {
        "check": "The monthly check",
        "refresh": "The storage charge",
        "charge_before_storage": "A charge before storage",
        "check_before_use": "A check before the next use",
        "check_after_use": "A check after use",
    }
    left_h = (due.due_ms - view.now_ms) / 3_600_000
    when = f"is overdue by {lasting(-left_h)}" if left_h < 0 else f"is due {ahead(due.due_ms, view.now_ms)}"
    return f"{names[due.what]} {when}: {due.reason}."
