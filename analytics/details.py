"""The slow part of an assessment, gathered from the components into what API and page show."""

from analytics import estimate
from analytics.assessment import Details, Finding
from analytics.view import View


def details_of(view: View, findings: tuple[Finding, ...]) -> Details:
    """Made when the rules are judged; each component says its own part."""
    return Details(at_ms=view.now_ms, learned=estimate.learned(view.model, view.belief), findings=findings)
