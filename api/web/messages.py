"""Routes: who is told and how, what they were told, and the browsers that want to be told."""

from typing import Annotated, Literal

import orjson
from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.people import Person
from api.ports import Delivery, Reach, Subscription
from api.web import asked, schemas, wire
from api.web.access import Caller, Operator, Reader, battery_of
from api.web.batteries import seen_by
from api.web.house import House, HouseDep
from api.web.problems import Problem

ROUTER = APIRouter(tags=["messages"])


def _reach(house: House) -> Reach:
    if house.reach is None:
        raise Problem("not-wired", "This service sends no messages.")
    return house.reach


def _known_to(house: House, caller: Caller) -> list[Person]:
    """Whom a caller may know of: everybody, or those of their own fleet."""
    return [p for p in _reach(house).now().people if caller.fleet is None or p.fleet == caller.fleet]


def _page(request: Request, found: list[Delivery], limit: int) -> Response:
    page = found[:limit]
    after = str(page[-1].id) if len(found) > limit else None
    return asked.respond(request, {"deliveries": [wire.delivery(d) for d in page], "next": asked.next_page(request, after)})


@ROUTER.get("/deliveries", response_model=schemas.DeliveryPage, summary="Who was told what, newest first: sent, waiting, or not taken")
def list_deliveries(
    request: Request,
    house: HouseDep,
    caller: Reader,
    battery_id: Annotated[str | None, Query(max_length=200, description="Only messages that speak of this battery.")] = None,
    person: Annotated[str | None, Query(max_length=100, description="Only to this person.")] = None,
    state: Annotated[
        Literal["waiting", "sent", "refused", "expired", "failed"] | None, Query(description="failed: refused, or not taken so far")
    ] = None,
    after: Annotated[int | None, Query(ge=1, le=2**62, description="Only those before this number in the list.")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
) -> Response:
    """With a token of one fleet: messages that speak of this fleet's batteries and of no others."""
    about = None if battery_id is None else [battery_of(house, caller, battery_id).id]
    within = None if caller.fleet is None else [b.id for b in seen_by(house, caller)]
    found = house.ledger.delivered(about=about, within=within, person=person, state=state, after_id=after, limit=limit + 1)
    return _page(request, found, limit)


@ROUTER.get("/push", response_model=schemas.PushOut, summary="Who is told, and whether this browser can be")
def get_push(house: HouseDep, caller: Reader) -> Response:
    """`public_key` is what a browser subscribes with (RFC 8292); null where `why_not` says why it cannot."""
    reach = _reach(house)
    why_not = reach.why_not()
    ways = [name.partition("/")[0] for name in reach.now().channels]
    people = [{"name": p.name, "ways": ways.count(p.name), "priority": p.priority, "sites": p.sites} for p in _known_to(house, caller)]
    body = {
        "public_key": None if why_not else reach.public_key(),
        "why_not": why_not,
        "may_be": reach.may_be(caller.name, caller.fleet, anybody=caller.may("admin")),
        "people": people,
        "subscriptions": [wire.subscription(s) for s in _mine(house, caller)],
    }
    return Response(orjson.dumps(body), media_type="application/json", headers={"Cache-Control": "no-store"})


def _mine(house: House, caller: Caller) -> list[Subscription]:
    """Those that a caller may take away: their own; with the role `admin` those of everybody they may know of."""
    reach = _reach(house)
    may_be = set(reach.may_be(caller.name, caller.fleet, anybody=caller.may("admin")))
    if caller.may("admin"):
        may_be |= {p.name for p in _known_to(house, caller)}
    return [s for s in reach.subscriptions() if s.person in may_be]


@ROUTER.post("/push/subscriptions", status_code=201, response_model=schemas.SubscriptionOut, summary="Let this browser be told")
async def subscribe(house: HouseDep, caller: Reader, given: schemas.SubscribeIn) -> Response:
    """Takes what `PushManager.subscribe` gave. It is told as the person of the settings is, or else of all that the token may see."""
    reach = _reach(house)
    if (why_not := reach.why_not()) is not None:
        raise Problem("not-wired", why_not)
    may_be = reach.may_be(caller.name, caller.fleet, anybody=caller.may("admin"))
    person = may_be[0] if given.person is None else given.person
    if person not in may_be:
        raise asked.wrong("person", f"expected one of: {', '.join(may_be)}")
    keys = {"p256dh": given.keys.p256dh, "auth": given.keys.auth}
    try:
        made = await run_in_threadpool(reach.subscribe, person, caller.fleet, given.device, given.endpoint, keys, house.now_ms())
    except ValueError as e:
        where, _, says = str(e).partition(": ")
        raise asked.wrong(where, says) from e
    return Response(orjson.dumps(wire.subscription(made)), 201, media_type="application/json")


@ROUTER.delete("/push/subscriptions/{subscription_id}", status_code=204, summary="Let a browser no longer be told")
def unsubscribe(house: HouseDep, caller: Reader, subscription_id: str) -> Response:
    if all(s.id != subscription_id for s in _mine(house, caller)) or not _reach(house).unsubscribe(subscription_id):
        raise Problem("unknown-browser", f"There is no subscription `{subscription_id[:40]}` that is yours.")
    return Response(status_code=204)


@ROUTER.post("/push/test", status_code=202, response_model=schemas.DeliveryList, summary="Send a person a test message")
async def test(house: HouseDep, caller: Operator, given: schemas.TryIn) -> Response:
    """In every way this person has. The answer lists the deliveries as they begin; GET /api/v1/deliveries says how they ended."""
    if house.try_push is None or given.person not in {p.name for p in _known_to(house, caller)}:
        names = ", ".join(p.name for p in _known_to(house, caller)) or "(nobody)"
        raise asked.wrong("person", f"nobody of this name is told of anything; expected one of: {names}")
    made = await run_in_threadpool(house.try_push, given.person, caller.name)
    if not made:
        raise Problem("conflict", f"{given.person} has no way to be told: add an address in the settings, or subscribe a browser.")
    return Response(orjson.dumps({"deliveries": [wire.delivery(d) for d in made]}), 202, media_type="application/json")
