"""The web app: routes put together around the ports. It opens nothing, reads no clock and knows no ingest."""

from collections.abc import Callable, Iterable
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.routing import APIRoute

from api.health import Health, Measure
from api.live import Live
from api.ports import Delivery, History, Ledger, Reach
from api.tokens import Tokens
from api.web import (
    alerts,
    batteries,
    budget,
    care,
    history,
    messages,
    operations,
    page,
    problems,
    readings,
    record,
    rounds,
    session,
    stream,
)
from api.web.guard import Guard
from api.web.house import Declared, House, PutNote, PutReadings
from api.web.settings import WebSettings

DESCRIPTION = """Readings and beliefs about leisure batteries, alerts, and the morning's worklist.

Times are RFC 3339 in UTC. Current is positive while charging. "Nothing yet" is null, never 0; every interval is a 90 % interval.
Errors are problem documents (RFC 9457) that say what to do. Answers carry an ETag. Restvolt advises; it is not a protective device."""

API = (
    batteries.ROUTER,
    history.ROUTER,
    alerts.ROUTER,
    rounds.ROUTER,
    care.ROUTER,
    messages.ROUTER,
    readings.ROUTER,
    record.ROUTER,
    budget.ROUTER,
    stream.ROUTER,
    session.ROUTER,
)


def no_metrics() -> Iterable[Measure]:
    return ()


class App(FastAPI):
    """The app, with the media type of problems as RFC 9457 names it, which the framework cannot be told."""

    def openapi(self) -> dict[str, Any]:
        if self.openapi_schema is None:
            for methods in super().openapi()["paths"].values():
                for operation in methods.values():
                    content = operation["responses"]["default"]["content"]
                    content["application/problem+json"] = content.pop("application/json")
        assert self.openapi_schema is not None
        return self.openapi_schema


def _name(route: APIRoute) -> str:
    return route.name


def create_app(
    *,
    history: History,
    ledger: Ledger,
    settings: WebSettings,
    now_ms: Callable[[], int],
    live: Live,
    tokens: Tokens,
    health: Callable[[], Health] = Health,
    metrics: Callable[[], Iterable[Measure]] = no_metrics,
    put_readings: PutReadings | None = None,
    put_note: PutNote | None = None,
    declared: Declared | None = None,
    reach: Reach | None = None,
    try_push: Callable[[str, str], list[Delivery]] | None = None,
    busy: tuple[type[Exception], ...] = (),
) -> FastAPI:
    """The app, ready for a server. What is None is answered with a problem that says so.

    `busy`: errors of the ports that mean "not now": they are answered with 503 and their own sentence, not as a fault.
    """
    app = App(
        title="Restvolt",
        version="1",
        description=DESCRIPTION,
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=_name,
        responses={"default": {"description": "A problem document", "model": problems.ProblemOut}},
    )
    app.state.house = House(
        history, ledger, settings, tokens, live, now_ms, put_readings, put_note, declared, reach, try_push, health, metrics
    )
    v1 = APIRouter(prefix="/api/v1")
    for router in API:
        v1.include_router(router)
    app.include_router(v1)
    app.include_router(operations.ROUTER)
    app.include_router(page.ROUTER, include_in_schema=False)
    problems.install(app, busy)
    app.add_middleware(Guard, settings=settings, now_ms=now_ms)
    return app
