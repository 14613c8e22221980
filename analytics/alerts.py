"""The life of an alert after IEC 62682: when a rule's finding begins, worsens and ends. What is true, not who was told.

On-delay, off-delay and hysteresis live here and in the rules; acknowledging, shelving and quiet hours are about people
and live with the ledger.
"""

from __future__ import annotations

from typing import NamedTuple

from analytics.assessment import AlertEvent, Finding
from analytics.rules import Rule
from analytics.view import View


class Standing(NamedTuple):
    """One rule's condition in time: pending (held, not yet an alert), begun, or going."""

    rule: str
    priority: str = "low"
    pending_ms: int | None = None
    began_ms: int | None = None
    clearing_ms: int | None = None


class AlertMemory(NamedTuple):
    """Only rules with something to remember are listed."""

    standing: tuple[Standing, ...] = ()


def update(view: View, memory: AlertMemory, rules: tuple[Rule, ...]) -> tuple[AlertMemory, tuple[AlertEvent, ...], tuple[Finding, ...]]:
    """Judge every rule; give the new memory, what began, worsened or ended, and every finding that holds now."""
    return memory, (), ()
