"""Route: readings over HTTP. They take the same way as all others: decoder, fold, commit; only then are they acknowledged."""

from typing import Annotated

import orjson
from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.web import asked, schemas
from api.web.access import Sender, battery_of
from api.web.calls import awaited
from api.web.house import HouseDep, Receipt
from api.web.problems import Problem

ROUTER = APIRouter(tags=["readings"])


@ROUTER.post(
    "/batteries/{battery_id}/readings",
    response_model=schemas.ReceiptOut,
    summary="Send readings of a battery; when it answers they are on disk",
    openapi_extra={
        "requestBody": {"required": True, "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}}}
    },
)
async def post_readings(
    request: Request,
    house: HouseDep,
    caller: Sender,
    battery_id: str,
    format: Annotated[str, Query(min_length=1, max_length=60, description="the name of a format in the settings, such as senml-json")],  # noqa: A002
) -> Response:
    """What cannot be read is counted and answered with its reason; the rest is kept. Sending the same again changes nothing."""
    battery = await run_in_threadpool(battery_of, house, caller, battery_id)
    if house.put_readings is None:
        raise Problem("not-wired", "This service takes no readings over HTTP.")
    body = await request.body()
    if not body:
        raise asked.wrong("body", "it is empty: send at least one reading")
    try:
        receipt: Receipt = await awaited(house.put_readings, battery.id, format, body)
    except ValueError as e:
        raise asked.wrong("format", str(e)[:300]) from e
    rejected = [text[:300] for text in receipt.rejected[:100]]
    if receipt.kept == 0 and rejected:
        errors = [{"where": f"reading {i + 1}", "says": text} for i, text in enumerate(rejected[:20])]
        raise Problem("not-understood", f"None of it is a reading: {rejected[0]}.", errors)
    return Response(orjson.dumps({"kept": receipt.kept, "rejected": rejected}), media_type="application/json")
