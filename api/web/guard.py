"""What stands before every route: size and rate of requests, names of the service, other web pages, and the security headers.

An ASGI layer of plain functions: it must cost next to nothing and work for streams.
"""

import ipaddress
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from starlette.requests import Request

from api.web.problems import Problem, answer
from api.web.settings import WebSettings

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

EMPTY_STYLE = "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"
"""The hash of nothing: the chart script makes one empty style element and fills it through the object model."""
POLICY = (
    f"default-src 'none'; script-src 'self'; style-src 'self' {EMPTY_STYLE}; img-src 'self' data: blob:; connect-src 'self'; font-src 'self'; "
    "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"geolocation=(), camera=(), microphone=()"),
)
SAFE = frozenset({"GET", "HEAD", "OPTIONS"})
MOST_CLIENTS = 10_000


class Buckets:
    """Token buckets by client: `rate` a minute, refilled evenly, never more than `rate` at once. Bounded in memory."""

    def __init__(self, rate: int) -> None:
        self.rate = rate
        self._left: dict[str, tuple[float, int]] = {}

    def wait_s(self, client: str, now_ms: int, *, count: bool = True) -> float:
        """0 if it may pass (and is counted), otherwise seconds until it may."""
        left, then_ms = self._left.get(client, (float(self.rate), now_ms))
        left = min(float(self.rate), left + max(0, now_ms - then_ms) * self.rate / 60_000)
        if left < 1:
            self._left[client] = (left, now_ms)
            return (1 - left) * 60 / self.rate
        if not count:
            return 0.0
        if len(self._left) >= MOST_CLIENTS and client not in self._left:
            self._left.clear()  # judgement: forgiving everybody once is better than growing without end
        self._left[client] = (left - 1, now_ms)
        return 0.0


class Guard:
    """The layer around the app."""

    def __init__(self, app: App, settings: WebSettings, now_ms: Callable[[], int]) -> None:
        self.app, self.settings, self.now_ms = app, settings, now_ms
        self.requests = Buckets(settings.requests_per_minute)
        self.failures = Buckets(settings.failures_per_minute)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        client = request.client.host if request.client is not None else "unknown"

        begun = False

        async def dressed(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message["headers"] = [*message.get("headers", []), *HEADERS]
                if message["status"] == 401:
                    self.failures.wait_s(client, self.now_ms())
            await send(message)

        problem = self._objection(request, client)
        if problem is not None:
            await answer(problem, request.url.path)(scope, receive, dressed)
            return
        try:
            await self.app(scope, self._measured(receive), dressed)
        except Exception:  # a bug: the asker gets a problem without its insides, the server logs it
            if not begun:
                await answer(Problem("fault"), request.url.path)(scope, receive, dressed)
            raise

    def _objection(self, request: Request, client: str) -> Problem | None:
        now_ms, length = self.now_ms(), request.headers.get("content-length", "0")
        for wait_s in (self.requests.wait_s(client, now_ms), self.failures.wait_s(client, now_ms, count=False)):
            if wait_s > 0:
                return Problem("too-many", headers={"Retry-After": str(int(wait_s) + 1)})
        host = request.headers.get("host", "")
        if not self._known(host):
            return Problem("unknown-host", f"`{host[:100]}` is not a name of this service.")
        if request.method not in SAFE and not _same_origin(request, host):
            return Problem("other-origin")
        if not length.isascii() or not length.isdigit() or int(length[:18]) > self.settings.body_limit_bytes:
            return Problem("too-large", f"At most {self.settings.body_limit_bytes} bytes are taken at once.")
        if len(request.url.query) > 4096 or len(request.url.path) > 1024:
            return Problem("too-large", "The address is too long.")
        return None

    def _known(self, host: str) -> bool:
        name = host.rsplit(":", 1)[0] if not host.endswith("]") else host
        name = name.strip("[]").lower()
        if name == "localhost" or name in self.settings.hostnames:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True

    def _measured(self, receive: Receive) -> Receive:
        """A body without a length, or with a false one, is cut off at the limit too."""
        seen = 0

        async def limited() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > self.settings.body_limit_bytes:
                raise Problem("too-large", f"At most {self.settings.body_limit_bytes} bytes are taken at once.")
            return message

        return limited


def _same_origin(request: Request, host: str) -> bool:
    """A browser names the page that a change comes from; programs name none and carry a token instead."""
    if request.headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
        return False
    origin = request.headers.get("origin")
    return origin is None or origin.partition("://")[2] == host
