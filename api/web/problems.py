"""Problem documents after RFC 9457: what is wrong and what to do about it. One table of all kinds; no stack trace leaves the house."""

from typing import Any, NamedTuple

import orjson
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from pydantic import BaseModel
from starlette.exceptions import HTTPException


class Kind(NamedTuple):
    """One kind of problem. `todo` is the advice where the place that raised it has nothing better."""

    status: int
    title: str
    todo: str


KINDS: dict[str, Kind] = {
    "not-understood": Kind(422, "The request cannot be understood", "Mend what is named in `errors` and send it again."),
    "not-signed-in": Kind(401, "You are not signed in", "Send a token: `Authorization: Bearer rv_…`, or sign in on the page."),
    "token-refused": Kind(401, "This token is not valid", "It is mistyped, withdrawn or expired: make a new one with `restvolt token`."),
    "not-allowed": Kind(403, "Your token may not do this", "Ask for a token with the role that is named here."),
    "other-origin": Kind(403, "The request comes from another web page", "Use Restvolt's own page, or send a token in the header."),
    "unknown-host": Kind(
        421, "This is not a name of this service", "Use its IP address, or add the name to `web.hostnames` in the settings."
    ),
    "not-found": Kind(404, "There is nothing at this address", "See /api/v1/openapi.json for what there is."),
    "unknown-battery": Kind(404, "No battery of this name", "GET /api/v1/batteries lists those that you may see."),
    "unknown-alert": Kind(404, "No alert of this name", "GET /api/v1/alerts lists those that you may see."),
    "unknown-browser": Kind(404, "No subscription of this name", "GET /api/v1/push lists those that you may take away."),
    "wrong-method": Kind(405, "This address does not take this method", "See the Allow header."),
    "wrong-type": Kind(415, "This kind of content is not taken here", "Send JSON with `Content-Type: application/json`."),
    "too-large": Kind(413, "The request is too large", "Send it in smaller pieces."),
    "too-many": Kind(429, "Too many requests", "Wait as long as the Retry-After header says."),
    "conflict": Kind(409, "This cannot be done now", "Ask for the state anew and look whether it still has to be done."),
    "not-wired": Kind(501, "This service was started without this part", "See the settings; the part may be switched off."),
    "not-ready": Kind(503, "The service is not ready", "See /readyz for what is missing; try again shortly."),
    "fault": Kind(500, "Something went wrong in the service", "Try again; if it stays, look at the log of the service."),
}


class MistakeOut(BaseModel):
    where: str
    says: str


class ProblemOut(BaseModel):
    """RFC 9457, with the advice and the mistaken keys as members of our own."""

    type: str
    title: str
    status: int
    detail: str
    what_to_do: str
    errors: list[MistakeOut] | None = None
    instance: str | None = None


class Problem(Exception):  # noqa: N818 - named as in the standard
    """Raised by a route; becomes the answer. `errors` names each mistaken key."""

    def __init__(
        self, kind: str, detail: str = "", errors: list[dict[str, str]] | None = None, headers: dict[str, str] | None = None
    ) -> None:
        super().__init__(detail or KINDS[kind].title)
        self.kind, self.detail, self.errors, self.headers = kind, detail, errors, headers


def document(kind: str, detail: str = "", errors: list[dict[str, str]] | None = None, instance: str | None = None) -> dict[str, Any]:
    """The problem as plain values. `type` is an address of this service that explains all kinds."""
    k = KINDS[kind]
    doc: dict[str, Any] = {"type": f"/problems#{kind}", "title": k.title, "status": k.status, "detail": detail or k.title + "."}
    doc["what_to_do"] = k.todo
    if errors:
        doc["errors"] = errors
    if instance is not None:
        doc["instance"] = instance
    return doc


def answer(problem: Problem, instance: str | None = None) -> Response:
    body = orjson.dumps(document(problem.kind, problem.detail, problem.errors, instance))
    headers = {"Cache-Control": "no-store", **(problem.headers or {})}
    if KINDS[problem.kind].status == 401:
        headers["WWW-Authenticate"] = "Bearer"
    return Response(body, KINDS[problem.kind].status, headers, media_type="application/problem+json")


def _of_http(error: HTTPException) -> Problem:
    by_status = {404: "not-found", 405: "wrong-method", 413: "too-large", 415: "wrong-type"}
    kind = by_status.get(error.status_code, "fault" if error.status_code >= 500 else "not-understood")
    return Problem(kind, headers=dict(error.headers) if error.headers else None)


def _of_validation(error: RequestValidationError) -> Problem:
    errors = []
    for e in error.errors():
        where = ".".join(str(part) for part in e["loc"])
        says = "this key is not known here" if e["type"] == "extra_forbidden" else str(e["msg"]).removeprefix("Value error, ")
        errors.append({"where": where, "says": says[:500]})
    detail = "; ".join(f"{e['where']}: {e['says']}" for e in errors[:5])
    return Problem("not-understood", detail, errors)


def install(app: FastAPI, busy: tuple[type[Exception], ...] = ()) -> None:
    """Every error that a route raises is a problem document; for bugs see the guard."""

    async def on_problem(request: Request, error: Exception) -> Response:
        assert isinstance(error, Problem)
        return answer(error, request.url.path)

    async def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return answer(_of_http(error), request.url.path)

    async def on_validation(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)
        return answer(_of_validation(error), request.url.path)

    async def on_busy(request: Request, error: Exception) -> Response:
        return answer(Problem("not-ready", str(error)[:500], headers={"Retry-After": "10"}), request.url.path)

    app.add_exception_handler(Problem, on_problem)
    for kind in busy:
        app.add_exception_handler(kind, on_busy)
    app.add_exception_handler(HTTPException, on_http)
    app.add_exception_handler(RequestValidationError, on_validation)
