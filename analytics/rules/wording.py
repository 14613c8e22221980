"""The turns of phrase that rules share, so that the same thing is always said in the same words. Plain words, no markup."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING

from analytics.assessment import Evidence
from analytics.cautions import CAUTIONS
from analytics.trend.level import charge_of

if TYPE_CHECKING:
    from analytics.view import View

HOUR_MS = 3_600_000
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def charge_with_interval(view: View) -> str:
    """`54 % charged (49 to 58 %)`."""
    return charge_in_words(charge_of(view))


def charge_in_words(charge: tuple[float, float, float] | None) -> str:
    """A state of charge with its interval, in percent."""
    if charge is None:
        return "of unknown charge"
    pct, low, high = charge
    return f"{pct:.0f} % charged ({low:.0f} to {high:.0f} %)"


def charge_evidence(view: View) -> Evidence:
    """State of charge and its interval, as evidence."""
    pct, low, high = charge_of(view) or (None, None, None)
    return (
        ("state_of_charge_pct", None if pct is None else round(pct, 1)),
        ("state_of_charge_low_pct", None if low is None else round(low, 1)),
        ("state_of_charge_high_pct", None if high is None else round(high, 1)),
    )


def on_day(at_ms: int) -> str:
    """`3 March`, in UTC."""
    at = datetime.fromtimestamp(at_ms / 1000, UTC)
    return f"{at.day} {MONTHS[at.month - 1]}"


def lasting(hours: float) -> str:
    """`50 minutes`, `7 hours`, `3 days`."""
    if hours < 1.5:
        minutes = max(1, round(hours * 60))
        return f"{minutes} minute{'s' if minutes > 1 else ''}"
    if hours < 48:
        return f"{round(hours)} hours"
    return f"{round(hours / 24)} days"


def ahead(at_ms: int | None, now_ms: int) -> str:
    """`in 3 days`, `now`, `later than can be told`."""
    if at_ms is None:
        return "later than can be told"
    hours = (at_ms - now_ms) / HOUR_MS
    return "now" if hours < 1 / 60 else f"in {lasting(hours)}"


def amperes(current_a: float) -> str:
    """`35 mA`, `4.0 A`."""
    if abs(current_a) >= 1:
        return f"{current_a:.1f} A"
    milli = 1000 * current_a
    return f"{milli:.0f} mA" if abs(milli) < 100 else f"{round(milli, -1):.0f} mA"


def caution(*keys: str) -> str:
    """The safety sentences of these keys, word for word."""
    return " ".join(CAUTIONS[k] for k in keys)


def charging_caution(view: View) -> str:
    """What always goes with the advice to charge this kind of battery."""
    return caution(*view.battery.kind.cautions)
