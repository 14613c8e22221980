"""The slow part of an assessment, gathered from the components into what API and page show."""

from analytics import care, estimate
from analytics.assessment import Details, Finding
from analytics.view import View


def details_of(view: View, findings: tuple[Finding, ...]) -> Details:
    """Made when the rules are judged; each component says its own part."""
    trend = view.trend
    return Details(
        at_ms=view.now_ms,
        mode=view.use.mode,
        forecast=trend.forecast,
        standing_load=trend.load,
        dues=care.dues_of(view),
        learned=estimate.learned(view.model, view.belief),
        findings=findings,
    )
