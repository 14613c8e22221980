"""Route: an energy budget for a plan of use, and what was really used against it."""

from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Body, Query, Response
from pydantic import ConfigDict, Field

from analytics.budget.answer import answer
from analytics.budget.measured import daily_out_ah
from analytics.budget.sentences import against_measured
from api.budget_json import as_json
from api.mistakes import SettingsError
from api.plan import plan_of
from api.web import asked, schemas
from api.web.access import Reader, battery_of
from api.web.house import HouseDep

ROUTER = APIRouter(tags=["budget"])
MEASURED_DAYS = 28
"""Judgement: four weeks hold weekends and working days."""


class BudgetOut(schemas.Out):
    """The same as `restvolt budget --json`; `measured` compares the plan with a battery's history."""

    model_config = ConfigDict(extra="allow")

    daily_wh: float
    daily_ah: float
    planned_ah: float
    required_ah: dict[str, float]
    sentences: list[str]
    measured: str | None = Field(default=None, description="planned against measured, in a sentence")


@ROUTER.post("/budget", response_model=BudgetOut, summary="Work out what a plan of use needs")
def budget(
    house: HouseDep,
    caller: Reader,
    plan: Annotated[dict[str, Any], Body(description="The plan, with the keys of a plan file: consumer, burst, days_away, sun …")],
    battery: Annotated[str | None, Query(description="id of a battery whose last four weeks are compared with the plan")] = None,
) -> Response:
    """Nothing is kept. Mistakes are told with key, value and expectation."""
    try:
        worked = answer(plan_of(plan))
    except SettingsError as e:
        raise asked.wrong("plan", "; ".join(e.lines)[:2000]) from e
    told: dict[str, Any] = {**as_json(worked, []), "measured": None}
    if battery is not None:
        known = battery_of(house, caller, battery)
        now_ms = house.now_ms()
        columns = house.history.read(known.id, now_ms - MEASURED_DAYS * 86_400_000, now_ms, MEASURED_DAYS * 96)
        told["measured"] = against_measured(worked.planned_ah, daily_out_ah(columns.time_ms, columns.values["current_a"]))
    return Response(orjson.dumps(told), media_type="application/json")
