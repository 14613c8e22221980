"""Routes: history as columns or CSV. A gap stays visible: a row of nulls, over which no line may be drawn."""

import csv
import io
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from api.ports import Columns
from api.web import asked, schemas, wire
from api.web.access import Reader, battery_of
from api.web.house import HouseDep
from api.words import rfc3339

ROUTER = APIRouter(tags=["history"])


@ROUTER.get(
    "/batteries/{battery_id}/history",
    response_model=schemas.HistoryOut,
    responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
    summary="Readings and beliefs of a stretch of time, joined to points",
)
def get_history(
    request: Request,
    house: HouseDep,
    caller: Reader,
    battery_id: str,
    from_: Annotated[str | None, Query(alias="from", description="RFC 3339; default a week before `to`")] = None,
    to: Annotated[str | None, Query(description="RFC 3339; default now")] = None,
    points: Annotated[int | None, Query(ge=1, description="at most so many points; default 500")] = None,
    every: Annotated[
        str | None,
        Query(description="width of a point: 90s, 15m, 6h, 1d; the next wider one of the store, or raw readings where there are fewer"),
    ] = None,
    format: Annotated[Literal["json", "csv"], Query(description="columns as JSON, or rows as CSV (RFC 4180)")] = "json",  # noqa: A002
) -> Response:
    """Joined points carry the mean, and `_min` and `_max` where the quantity has them."""
    battery = battery_of(house, caller, battery_id)
    s = asked.stretch(from_, to, points, every, house.now_ms(), house.settings.most_points)
    columns = house.history.read(battery.id, s.from_ms, s.to_ms, s.points)
    if format == "json":
        return asked.respond(request, wire.columns(columns))
    headers = {"Content-Disposition": 'attachment; filename="history.csv"'}
    return asked.respond(request, as_csv(columns), media_type="text/csv; charset=utf-8", headers=headers)


def as_csv(columns: Columns) -> bytes:
    """RFC 4180 with a header. A gap is a line with only its time."""
    out = io.StringIO()
    writer = csv.writer(out)
    plain = wire.columns(columns)
    names = [*columns.values, "charge_phase"]
    writer.writerow(["time", *names])
    for row in zip(columns.time_ms, *(plain[name] for name in names), strict=True):
        writer.writerow([rfc3339(row[0]), *("" if value is None else value for value in row[1:])])
    return out.getvalue().encode()
