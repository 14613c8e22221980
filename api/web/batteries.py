"""Routes: batteries, what is declared of them, and what is believed of them."""

import re
from collections import Counter
from typing import Annotated, Any

import orjson
from fastapi import APIRouter, Body, Query, Request, Response
from pydantic import ValidationError
from starlette.concurrency import run_in_threadpool

from analytics.battery import Battery, DeclarationError
from api.declaration import checked
from api.web import asked, beliefs, schemas, wire
from api.web.access import Admin, Caller, Reader, battery_of
from api.web.calls import awaited
from api.web.house import House, HouseDep
from api.web.problems import Problem
from api.words import rfc3339

ROUTER = APIRouter(tags=["batteries"])


def seen_by(house: House, caller: Caller, site: str | None = None) -> list[Battery]:
    """The batteries that this caller may see, by id."""
    batteries = [b for b in house.ledger.batteries() if caller.sees(b) and (site is None or b.site == site)]
    return sorted(batteries, key=lambda b: b.id)


@ROUTER.get("/batteries", response_model=schemas.BatteryList, summary="Batteries with their state, by id")
def list_batteries(
    request: Request,
    house: HouseDep,
    caller: Reader,
    site: Annotated[str | None, Query(max_length=200, description="Only those that live here.")] = None,
    after: Annotated[str | None, Query(max_length=200, description="Only those after this id.")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    found = [b for b in seen_by(house, caller, site) if after is None or b.id > after]
    page, more = found[:limit], len(found) > limit
    active = Counter(a.battery_id for a in house.ledger.alerts(active=True, battery_ids=[b.id for b in page], limit=10_000))
    rows = [
        {"battery": wire.battery(b), "state": state, "active_alerts": active[b.id]}
        for b, state in zip(page, beliefs.states(house, page), strict=True)
    ]
    return asked.respond(request, {"batteries": rows, "next": asked.next_page(request, page[-1].id if more else None)})


@ROUTER.get("/batteries/{battery_id}", response_model=schemas.BatteryOut, summary="What is declared of a battery")
def get_battery(request: Request, house: HouseDep, caller: Reader, battery_id: str) -> Response:
    return asked.respond(request, wire.battery(battery_of(house, caller, battery_id)))


@ROUTER.put(
    "/batteries/{battery_id}",
    response_model=schemas.BatteryOut,
    responses={201: {"model": schemas.BatteryOut, "description": "Declared for the first time"}},
    summary="Declare a battery, or change what is declared",
)
async def put_battery(
    house: HouseDep,
    caller: Admin,
    battery_id: str,
    declared: Annotated[dict[str, Any], Body(description="The declaration, with the keys of the settings file. `id` may be left out.")],
    since: Annotated[
        str | None, Query(description="From when it holds (RFC 3339); all that came since is judged anew. Default: now.")
    ] = None,
) -> Response:
    """An older declaration stays in the history of the battery."""
    now_ms = house.now_ms()
    since_ms = now_ms if since is None else asked.time_ms("since", since)
    if since_ms > now_ms:
        raise asked.wrong("since", "it lies in the future; a declaration holds from now or from a time gone by")
    battery = _checked(battery_id, declared, caller)
    known = await run_in_threadpool(house.ledger.battery, battery_id)
    if known is not None and not caller.sees(known):
        raise Problem("conflict", "This name cannot be used: choose another id.")
    await run_in_threadpool(house.ledger.declare, battery, since_ms, caller.name)
    if house.declared is not None:
        await awaited(house.declared, battery, since_ms)
    return Response(orjson.dumps(wire.battery(battery)), 201 if known is None else 200, media_type="application/json")


ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
"""Judgement: what can stand in an address, a topic, a file name and a spoken sentence."""


def _checked(battery_id: str, declared: dict[str, Any], caller: Caller) -> Battery:
    if ID.fullmatch(battery_id) is None:
        raise asked.wrong("id", "expected letters, digits, dots, dashes and underscores, at most 64, beginning with a letter or digit")
    if declared.setdefault("id", battery_id) != battery_id:
        raise asked.wrong("id", "it differs from the id in the address")
    if caller.fleet is not None and declared.setdefault("fleet", caller.fleet) != caller.fleet:
        raise asked.wrong("fleet", f"your token is for the fleet `{caller.fleet}`")
    for derived in ("limit_pct", "chemistry_title"):
        declared.pop(derived, None)  # what a GET adds, so that its answer can be changed and sent back
    try:
        return checked(declared)
    except TypeError as e:  # a number beyond 64 bits, or half a character
        raise asked.wrong("body", f"it cannot be kept: {e}") from e
    except ValidationError as e:
        errors = []
        for found in e.errors(include_url=False):
            cause = found.get("ctx", {}).get("error")
            says = f"expected {cause.expected}" if isinstance(cause, DeclarationError) else str(found["msg"])
            where = cause.key if isinstance(cause, DeclarationError) else ".".join(str(part) for part in found["loc"])
            errors.append({"where": where, "says": says[:500]})
        raise Problem("not-understood", "; ".join(f"{x['where']}: {x['says']}" for x in errors[:5]), errors) from e


@ROUTER.get("/batteries/{battery_id}/declarations", response_model=schemas.DeclarationList, summary="What was declared, and since when")
def get_declarations(request: Request, house: HouseDep, caller: Reader, battery_id: str) -> Response:
    battery_of(house, caller, battery_id)
    rows = house.ledger.declarations(battery_id)
    return asked.respond(request, {"declarations": [{"since": rfc3339(ms), "who": who, "battery": wire.battery(b)} for ms, who, b in rows]})


@ROUTER.get("/batteries/{battery_id}/state", response_model=schemas.State, summary="What is believed of a battery now")
def get_state(request: Request, house: HouseDep, caller: Reader, battery_id: str) -> Response:
    return asked.respond(request, beliefs.states(house, [battery_of(house, caller, battery_id)])[0])
