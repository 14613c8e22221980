"""Who asks, and may they? Bearer tokens, the page's session cookie, and the van's own loopback. Object by object, not only by route."""

import ipaddress
from collections.abc import Callable
from typing import Annotated, NamedTuple

from fastapi import Depends, Request, Security
from fastapi.security import APIKeyCookie, HTTPBearer
from starlette.concurrency import run_in_threadpool

from analytics.battery import Battery
from api.ports import Alert
from api.tokens import MAY, Token, session_token
from api.web.house import House
from api.web.problems import Problem

COOKIE = "restvolt_session"
BEARER = HTTPBearer(auto_error=False, description="A token made by `restvolt token`.")
SESSION = APIKeyCookie(
    name=COOKIE, auto_error=False, description="The page's session; for changes the request must come from the page itself."
)


class Caller(NamedTuple):
    """Who asks. `fleet` None: every fleet."""

    name: str
    role: str
    fleet: str | None

    def may(self, role: str) -> bool:
        return role in MAY[self.role]

    def sees(self, battery: Battery) -> bool:
        return self.fleet is None or battery.fleet == self.fleet


def from_this_machine(request: Request) -> bool:
    """The request comes from this machine and was not passed on by a proxy that would make everybody look local."""
    if any(name in request.headers for name in ("forwarded", "x-forwarded-for", "x-real-ip", "via")):
        return False
    return request.client is not None and is_loopback(request.client.host)


def is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _caller_of(token: Token) -> Caller:
    return Caller(token.name, token.role, token.fleet)


async def who(
    request: Request, _bearer: Annotated[object, Security(BEARER)] = None, _session: Annotated[object, Security(SESSION)] = None
) -> Caller | None:
    """The caller, or None for nobody. Raises 401 for a token that is wrong: a wrong token is never treated as none."""
    house: House = request.app.state.house
    header = request.headers.get("authorization")
    if header is not None:
        scheme, _, text = header.partition(" ")
        if scheme.lower() != "bearer":
            raise Problem("token-refused", "The Authorization header must read `Bearer rv_…`.")
        token = await run_in_threadpool(house.tokens.find, text.strip(), house.now_ms())
        if token is None:
            raise Problem("token-refused")
        return _caller_of(token)
    if (cookie := request.cookies.get(COOKIE)) is not None:
        token = session_token(cookie, house.tokens, house.now_ms())
        if token is not None:
            return _caller_of(token)
    if house.settings.open_on_loopback and from_this_machine(request):
        return Caller("this machine", "admin", None)
    return None


def needs(role: str) -> Callable[[Caller | None], Caller]:
    """A dependency: the caller, if this role is among what they may do."""

    async def check(caller: Annotated[Caller | None, Depends(who)]) -> Caller:
        if caller is None:
            raise Problem("not-signed-in")
        if not caller.may(role):
            raise Problem("not-allowed", f"Your token has the role `{caller.role}`; this needs `{role}`.")
        return caller

    return check  # type: ignore[return-value]


AnyCaller = Annotated[Caller | None, Depends(who)]
Reader = Annotated[Caller, Depends(needs("read"))]
Operator = Annotated[Caller, Depends(needs("operate"))]
Sender = Annotated[Caller, Depends(needs("ingest"))]
Admin = Annotated[Caller, Depends(needs("admin"))]


def battery_of(house: House, caller: Caller, battery_id: str) -> Battery:
    """The battery, or 404: another fleet's battery is not known to exist."""
    battery = house.ledger.battery(battery_id)
    if battery is None or not caller.sees(battery):
        raise Problem("unknown-battery", f"There is no battery `{battery_id[:80]}` that you may see.")
    return battery


def alert_of(house: House, caller: Caller, alert_id: str) -> Alert:
    """The alert, or 404, by the battery that it belongs to."""
    alert = house.ledger.alert(alert_id)
    if alert is not None:
        battery = house.ledger.battery(alert.battery_id)
        if battery is not None and caller.sees(battery):
            return alert
    raise Problem("unknown-alert", f"There is no alert `{alert_id[:120]}` that you may see.")
