"""The slow part of an assessment, gathered from the components into what API and page show."""

from analytics import care, estimate
from analytics.ageing import telling as ageing_telling
from analytics.assessment import Details, Evidence, Finding, Learned, Untold
from analytics.charging.describe import evidence_of as session_of
from analytics.gist import by_rest, gist_of
from analytics.rules.rule import Said, finding_of
from analytics.sentences import BY_REST
from analytics.trend.freezing import Freezing, freezing_of
from analytics.view import View

QUARTER_MS, HALF_MS, HOUR_MS = 900_000, 1_800_000, 3_600_000
STRONG_C = 0.05
"""Judgement: with less than a twentieth of the capacity per hour the charge moves by 1.3 points in a quarter of an hour at most, so a
finding so old agrees with the number beside it."""
NEAR_MS = 2 * 24 * HOUR_MS
"""Judgement: farther ahead, a time is said in days."""


def is_old(view: View, judged_ms: int, details: Details | Untold, findings: tuple[Finding | Said, ...]) -> bool:
    """Whether the details want making anew though nothing began, ended or changed: who reads them has to keep and send them anew, too.

    By the clock and not since the last ones, for details are not kept: a state that was kept and loaded makes them at the same times as
    one that was not. A strong current, a new anchor, a tick or another set of findings has them made at once.
    """
    span, anchor, every_ms = view.span, view.belief.anchor, _every_ms(view, findings)
    if details.at_ms == 0 or view.ticked or view.now_ms // every_ms != judged_ms // every_ms:
        return True
    if anchor is not None and anchor.at_ms > details.at_ms:
        return True
    if span is not None and span.current_a is not None and abs(span.current_a) > STRONG_C * view.battery.rated_capacity_ah:
        return True
    return [(f.rule, f.priority) for f in findings] != [(f.rule, f.priority) for f in details.findings]


def _every_ms(view: View, findings: tuple[Finding | Said, ...]) -> int:
    """With the hour: forecast, standing load, dues and exposure are themselves renewed no sooner, and the charge the reader says himself.
    Four times as often findings, which may name the charge, and a forecast that is near; twice as often the figures of a running charge."""
    forecast = view.trend.forecast
    if findings or (forecast is not None and forecast.earliest_ms is not None and forecast.earliest_ms - view.now_ms < NEAR_MS):
        return QUARTER_MS
    return HOUR_MS if view.charging.running is None else HALF_MS


def details_of(view: View, findings: tuple[Finding | Said, ...]) -> Untold:
    """As of after the rules were judged; each component says its own part once somebody asks. The view is not changed any more."""
    return Untold(view.now_ms, findings, lambda: _said(view, findings), gist_of(view, findings))


def _said(view: View, findings: tuple[Finding | Said, ...]) -> Details:
    trend = view.trend
    return Details(
        at_ms=view.now_ms,
        mode=view.use.mode,
        forecast=trend.forecast,
        standing_load=trend.load,
        dues=care.dues_of(view),
        learned=_learned(view),
        findings=tuple(f for f in map(finding_of, findings) if f is not None),
        exposure=_exposure(view, freezing_of(view)),
        session=session_of(view.battery, view.charging),
        ageing=ageing_telling.evidence_of(view),
    )


def _learned(view: View) -> tuple[Learned, ...]:
    charge, learned = by_rest(view), estimate.learned(view.model, view.belief)
    return learned if charge is None else (*learned, Learned(BY_REST, *charge))


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
