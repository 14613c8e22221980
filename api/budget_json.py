"""A worked budget as plain JSON values, for the command line and the API."""

from dataclasses import asdict
from math import isfinite
from typing import Any

from analytics.budget.answer import Answer
from analytics.budget.candidates import Weighed
from analytics.budget.sentences import sentences_of


def as_json(worked: Answer, candidates: list[Weighed]) -> dict[str, Any]:
    """The same for machines; a cost that cannot be told is null."""
    return {
        "plan": worked.plan.name,
        "daily_wh": round(worked.daily_wh, 1),
        "daily_ah": round(worked.daily_ah, 2),
        "planned_ah": round(worked.planned_ah, 2),
        "sun_ah": round(worked.sun_ah, 2),
        "dark_days": round(worked.dark_days, 2),
        "uses": [u._asdict() for u in worked.uses],
        "required_ah": {name: round(r.with_margin_ah, 1) for name, r in worked.required},
        "charge_ah_per_day": round(worked.charge_ah_per_day, 1),
        "charge_hours_per_day": worked.charge_hours_per_day,
        "bursts": [s._asdict() for s in worked.strains],
        "cycles_a_year": worked.cycles_a_year,
        "years": worked.years,
        "enough": worked.enough,
        "air": None if worked.air is None else worked.air._asdict(),
        "sentences": list(sentences_of(worked)),
        "candidates": [_as_json(w) for w in candidates],
    }


def _as_json(w: Weighed) -> dict[str, Any]:
    plain = {k: v for k, v in w._asdict().items() if k != "candidate"}
    cost = w.cost_per_kwh if isfinite(w.cost_per_kwh) else None
    return {"candidate": asdict(w.candidate), **plain, "reasons": list(w.reasons), "cost_per_kwh": cost}
