"""Routes: the care log, what people did and measured."""

from typing import Annotated

import orjson
from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from analytics.battery import Battery
from analytics.reading import Note, by_people
from api.web import asked, schemas, wire
from api.web.access import Operator, Reader, battery_of
from api.web.calls import awaited
from api.web.house import HouseDep
from api.web.problems import Problem

ROUTER = APIRouter(tags=["care"])

CELL_V = (0.5, 4.0)
"""What a person can mean by a voltage of one cell at rest, volts. Judgement: half a volt is a ruined lead cell, 4 V is above any of our
chemistries; 1262 and 126.2 for 12.62 are far outside for up to 12 cells."""


@ROUTER.get("/batteries/{battery_id}/care", response_model=schemas.NoteList, summary="What people did and measured, newest first")
def get_care(
    request: Request,
    house: HouseDep,
    caller: Reader,
    battery_id: str,
    from_: Annotated[str | None, Query(alias="from", description="RFC 3339; default the beginning")] = None,
) -> Response:
    battery_of(house, caller, battery_id)
    notes = house.ledger.notes(battery_id, 0 if from_ is None else asked.time_ms("from", from_))
    return asked.respond(request, {"notes": [wire.note(n) for n in reversed(by_people(notes))]})


@ROUTER.post("/batteries/{battery_id}/care", status_code=201, response_model=schemas.NoteOut, summary="Say what was done or measured")
async def post_care(house: HouseDep, caller: Operator, battery_id: str, given: schemas.NoteIn) -> Response:
    """It is folded like a reading, at its own time."""
    battery = await run_in_threadpool(battery_of, house, caller, battery_id)
    if house.put_note is None:
        raise Problem("not-wired", "This service does not take notes.")
    now_ms = house.now_ms()
    at_ms = now_ms if given.time is None else asked.time_ms("time", given.time)
    if at_ms > now_ms + 60_000:
        raise asked.wrong("time", "it lies in the future: a note is about what has been done")
    if at_ms < 0:
        raise asked.wrong("time", "it lies before 1970")
    note = Note(battery_id, at_ms, given.kind, _value(battery, given), caller.name)
    await awaited(house.put_note, note)
    return Response(orjson.dumps(wire.note(note)), 201, media_type="application/json")


def _value(battery: Battery, given: schemas.NoteIn) -> float | str | None:
    """The value that goes with the kind, or a problem that says what was expected."""
    value = given.value
    if given.kind == "check":
        low, high = CELL_V[0] * battery.cells, CELL_V[1] * battery.cells
        if not isinstance(value, float) or not low <= value <= high:
            raise asked.wrong("value", f"expected the voltage of the whole battery in volts, from {low:g} to {high:g}, such as 12.62")
    elif given.kind == "coldest":
        if not isinstance(value, float) or not -60 <= value <= 60:
            raise asked.wrong("value", "expected degrees Celsius from -60 to 60")
    elif given.kind == "mode":
        if value not in ("stored", "in use", "by data"):
            raise asked.wrong("value", "expected one of: stored, in use, by data")
    elif given.kind == "forget":
        if not isinstance(value, str) or not 0 < len(value) <= 60:
            raise asked.wrong("value", "expected the name of a learned value, or all")
    elif value is not None:
        raise asked.wrong("value", f"`{given.kind}` takes no value: leave it out")
    return value
