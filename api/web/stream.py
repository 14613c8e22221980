"""Route: what changes, as server-sent events (HTML standard, section 9.2). A watcher hears only of batteries that it may see."""

from collections.abc import AsyncIterator
from typing import Annotated, Literal

import orjson
from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from analytics.assessment import AlertEvent, Assessment
from analytics.battery import Battery
from api.web import wire
from api.web.access import Caller, Reader
from api.web.beliefs import completed
from api.web.house import House, HouseDep
from api.web.problems import Problem
from api.words import rfc3339

ROUTER = APIRouter(tags=["live"])


@ROUTER.get(
    "/stream",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"schema": {"type": "string"}}}}},
    summary="Changes as they are kept: events `state` and `alert`",
)
async def get_stream(
    house: HouseDep,
    caller: Reader,
    battery_id: Annotated[str | None, Query(max_length=200, description="Only of this battery.")] = None,
    only: Annotated[
        Literal["alert"] | None, Query(description="alert: no states, for a list that asks anew when something begins or ends")
    ] = None,
) -> StreamingResponse:
    """`state` carries a battery's state as in /state, at most once in a second; `alert` names what began, worsened or ended.

    After a lost connection ask for the state anew: nothing is repeated here.
    """
    if house.live.watchers() >= house.settings.most_watchers:
        raise Problem("too-many", "As many pages are watching as this service allows.", headers={"Retry-After": "30"})
    return StreamingResponse(
        _lines(house, caller, battery_id, only is None), media_type="text/event-stream", headers={"Cache-Control": "no-store"}
    )


async def _lines(house: House, caller: Caller, battery_id: str | None, states_too: bool) -> AsyncIterator[bytes]:
    yield b"retry: 3000\n: what changes comes here\n\n"
    seen: dict[str, Battery | None] = {b.id: b if caller.sees(b) else None for b in await run_in_threadpool(house.ledger.batteries)}
    async for states, events in house.live.watch(house.settings.live_every_s, house.settings.live_idle_s):
        told = [] if states or events else [b": still here\n\n"]
        for assessment in states if states_too else ():
            if (battery := await _visible(house, caller, battery_id, assessment.battery_id, seen)) is not None:
                told.append(await _state(house, battery, assessment))
        for event in events:
            if await _visible(house, caller, battery_id, event.battery_id, seen) is not None:
                told.append(_event(event))
        if told:
            yield b"".join(told)  # one write for all: the writes to many watchers are what the page costs most


async def _visible(house: House, caller: Caller, wanted: str | None, battery_id: str, seen: dict[str, Battery | None]) -> Battery | None:
    """The battery if it is wanted and may be seen. The ledger is asked only for one that was declared since the stream began."""
    if wanted is not None and battery_id != wanted:
        return None
    if battery_id not in seen:
        battery = await run_in_threadpool(house.ledger.battery, battery_id)
        seen[battery_id] = battery if battery is not None and caller.sees(battery) else None
    return seen[battery_id]


async def _state(house: House, battery: Battery, assessment: Assessment) -> bytes:
    """Encoded once for all who watch, as long as it is the newest."""
    known = house.encoded.get(battery.id)
    if known is None or known[0] is not assessment:
        known = house.encoded[battery.id] = (assessment, await _encoded(house, battery, assessment))
    return known[1]


async def _encoded(house: House, battery: Battery, assessment: Assessment) -> bytes:
    heard_ms: int | None = assessment.at_ms
    if assessment.voltage_v is None:
        done = (await run_in_threadpool(completed, house, {battery.id: assessment}))[battery.id]
        assessment, heard_ms = done.assessment or assessment, done.heard_ms
    data = orjson.dumps(wire.state(battery, assessment, house.now_ms(), heard_ms))
    return b"event: state\ndata: " + data + b"\n\n"


def _event(event: AlertEvent) -> bytes:
    data = orjson.dumps(
        {
            "alert_id": event.alert_id,
            "battery_id": event.battery_id,
            "kind": event.kind,
            "time": rfc3339(event.at_ms),
            "priority": event.priority,
            "title": event.finding.title,
        }
    )
    return b"event: alert\ndata: " + data + b"\n\n"
