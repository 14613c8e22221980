"""What a person acts on in the details, known before they are said, and whether details that were kept still tell it.

Who keeps details (the ledger) spares himself new ones that would tell nobody to do anything else. No words are made here.
"""

from typing import NamedTuple

from analytics.assessment import Finding, Forecast
from analytics.rules.rule import Said
from analytics.trend.level import charge_of
from analytics.view import View

HOUR_MS = 3_600_000
CHARGING_HOURS, HOURS = 2, 4
"""Judgement: so many hours details may serve while nothing in their gist changes. The figures of a running charge (ampere-hours and hours so
far) move within hours. Forecast, standing load, dues, ageing and what findings of low priority tell are renewed hourly at most and tell of
days to years; whatever moves with a reading (charge, phase, temperature, how long from now) the reader says from the newest one
(analytics.sentences)."""
MOVED_PCT = 1.3
"""Judgement: by so much the charge that a finding names may differ from the number beside it (as between two judgements, analytics.details)."""
MOVED_PART = 1 / 8
"""Judgement: of the time left until an end of the forecast. Three days hence it moved by nine hours: still three days; two hours hence by
fifteen minutes, as often as a forecast is renewed at all."""


class Gist(NamedTuple):
    """What a person acts on. Of the forecast only the ends count: why none can be told yet changes nothing that anybody does. Findings of low
    priority are not in it: that their alert began or ended the ledger hears at once, with the words of then."""

    mode: str
    charging: bool
    """Whether a charging session runs."""
    rested: bool
    """Whether its charge is told by the rest voltages and not by the estimate."""
    named_pct: float | None
    """The charge that findings may name; None without findings, or while nothing is known."""
    forecast: Forecast | None
    """None: nothing can be told of where it is heading."""

    @property
    def serves_ms(self) -> int:
        """How long details of this gist may serve, if it lasts."""
        return (CHARGING_HOURS if self.charging else HOURS) * HOUR_MS

    def still_told_by(self, kept: "Gist", now_ms: int) -> bool:
        """Whether kept details of that gist tell a person now what new ones would."""
        if self[:3] != kept[:3]:
            return False
        if kept.named_pct is not None and self.named_pct is not None and abs(self.named_pct - kept.named_pct) >= MOVED_PCT:
            return False
        mine, theirs = self.forecast, kept.forecast
        if mine is None or theirs is None or mine is theirs:
            return mine is theirs
        if mine.basis != theirs.basis or mine.limit_pct != theirs.limit_pct:
            return False
        return _alike(mine.earliest_ms, theirs.earliest_ms, now_ms) and _alike(mine.latest_ms, theirs.latest_ms, now_ms)


def gist_of(view: View, findings: tuple[Finding | Said, ...]) -> Gist | None:
    """None where every figure counts, for something is to be done soon: a finding of more than low priority."""
    for finding in findings:
        if finding.priority != "low":
            return None
    forecast = view.trend.forecast
    return Gist(
        view.use.mode,
        view.charging.running is not None,
        by_rest(view) is not None,
        view.pct if findings else None,
        None if forecast is None or forecast.basis.startswith("cannot judge") else forecast,
    )


def by_rest(view: View) -> tuple[float, float, float] | None:
    """The charge with its interval as rest voltages tell it, where they speak instead of the estimate; None where the assessment's number holds."""
    charge = charge_of(view)
    return None if charge == (view.pct, view.low_pct, view.high_pct) else charge


def _alike(one_ms: int | None, other_ms: int | None, now_ms: int) -> bool:
    if one_ms is None or other_ms is None:
        return one_ms is other_ms
    return abs(one_ms - other_ms) <= MOVED_PART * max(0, min(one_ms, other_ms) - now_ms) or max(one_ms, other_ms) <= now_ms
