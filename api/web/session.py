"""Routes: signing in on the page. The token goes in once and comes back as a cookie that no script can read."""

import orjson
from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from api.tokens import MAY, session_value
from api.web import schemas
from api.web.access import COOKIE, AnyCaller, Caller
from api.web.house import House, HouseDep
from api.web.problems import Problem

ROUTER = APIRouter(tags=["session"])


def _me(house: House, caller: Caller) -> bytes:
    body = {"name": caller.name, "role": caller.role, "fleet": caller.fleet, "may": sorted(MAY[caller.role])}
    return orjson.dumps({**body, "temperature_unit": _unit(house, caller)})


def _unit(house: House, caller: Caller) -> str:
    """As the person likes it who this caller most likely is: the page and the messages then speak alike."""
    if house.reach is None:
        return "C"
    likely = house.reach.may_be(caller.name, caller.fleet, anybody=caller.may("admin"))[0]
    return next((p.temperature_unit for p in house.reach.now().people if p.name == likely), "C")


@ROUTER.get("/session", response_model=schemas.Me, summary="Who am I to this service?")
async def get_session(house: HouseDep, caller: AnyCaller) -> Response:
    if caller is None:
        raise Problem("not-signed-in")
    return Response(_me(house, caller), media_type="application/json", headers={"Cache-Control": "no-store"})


@ROUTER.post("/session", response_model=schemas.Me, summary="Sign in with a token")
async def sign_in(house: HouseDep, given: schemas.SignIn) -> Response:
    """The cookie is HttpOnly and SameSite=Strict; it ends with the token, or after the time in the settings."""
    now_ms = house.now_ms()
    token = await run_in_threadpool(house.tokens.find, given.token.strip(), now_ms)
    if token is None:
        raise Problem("token-refused")
    until_ms = now_ms + round(house.settings.session_h * 3_600_000)
    if token.expires_ms is not None:
        until_ms = min(until_ms, token.expires_ms)
    response = Response(
        _me(house, Caller(token.name, token.role, token.fleet)), media_type="application/json", headers={"Cache-Control": "no-store"}
    )
    response.set_cookie(
        COOKIE,
        session_value(token, until_ms),
        max_age=max(1, (until_ms - now_ms) // 1000),
        path="/",
        secure=house.settings.secure_cookie,
        httponly=True,
        samesite="strict",
    )
    return response


@ROUTER.delete("/session", status_code=204, summary="Sign out")
async def sign_out(request: Request) -> Response:
    response = Response(status_code=204)
    response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
    return response
