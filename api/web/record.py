"""Route: the record of a battery, as JSON or as a page to print."""

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request, Response

from api.battery_record import as_page, record
from api.web import asked, schemas, wire
from api.web.access import Reader, battery_of
from api.web.alerts import Wanted, visible
from api.web.beliefs import believed
from api.web.house import HouseDep

ROUTER = APIRouter(tags=["batteries"])
YEARS_MS = 3 * 366 * asked.DAY_MS
"""Judgement: three years at about five hours a point show every low that lasts; the alerts tell of the shorter ones."""


class Rows(schemas.Out):
    count: int
    rows: list[dict[str, Any]]


class RecordOut(schemas.Out):
    """What was declared, done, seen and said of a battery."""

    made: schemas.Time
    battery: schemas.BatteryOut
    declarations: list[schemas.Declaration]
    heard_from: schemas.Time | None
    heard_to: schemas.Time | None
    checks: Rows
    charges_reported: Rows
    other_notes: Rows
    charges_seen: Rows
    lows: Rows
    exposure: dict[str, float | int | str | None]
    ageing: dict[str, float | int | str | None]
    learned: list[schemas.LearnedOut]
    alerts: Rows


@ROUTER.get(
    "/batteries/{battery_id}/record",
    response_model=RecordOut,
    responses={200: {"content": {"text/html": {"schema": {"type": "string"}}}}},
    summary="The battery's record: evidence for a hand-over or a claim",
)
def get_record(
    request: Request,
    house: HouseDep,
    caller: Reader,
    battery_id: str,
    format: Annotated[Literal["json", "html"], Query()] = "json",  # noqa: A002
) -> Response:
    battery = battery_of(house, caller, battery_id)
    now_ms = house.now_ms() // 60_000 * 60_000
    found = visible(house, caller, Wanted(battery_id, None, None, None, None), None)
    alerts = [(alert, house.ledger.acts(alert.id)) for alert, _ in zip(found, range(1000), strict=False)]
    declarations = [(ms, who, wire.battery(b)) for ms, who, b in house.ledger.declarations(battery_id)]
    latest = believed(house, [battery_id])[battery_id].assessment
    columns = house.history.read(battery_id, now_ms - YEARS_MS, now_ms + 60_000, 5000)
    whole = record(wire.battery(battery), battery, declarations, latest, house.ledger.notes(battery_id), alerts, columns, now_ms)
    if format == "json":
        return asked.respond(request, whole)
    return asked.respond(request, as_page(whole).encode(), media_type="text/html; charset=utf-8")
