"""Routes: alerts, their events, and what people do about them."""

from collections.abc import Iterator
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.ports import Alert
from api.web import asked, schemas, wire
from api.web.access import Caller, Operator, Reader, alert_of, battery_of
from api.web.house import House, HouseDep
from api.web.problems import Problem

ROUTER = APIRouter(tags=["alerts"])

LONGEST_SHELVE_MS = 90 * asked.DAY_MS
"""Judgement: a season. IEC 62682 wants shelving to be limited in time; what is quiet for longer belongs out of service."""


class Wanted:
    """Filters of a list of alerts."""

    def __init__(self, battery_id: str | None, active: bool | None, rule: str | None, priority: str | None, site: str | None) -> None:
        self.battery_id, self.active, self.rule, self.priority, self.site = battery_id, active, rule, priority, site


def visible(house: House, caller: Caller, wanted: Wanted, after: str | None) -> Iterator[Alert]:
    """Newest first. Reads page after page, since the ledger knows neither fleets nor sites."""
    batteries = {b.id: b for b in house.ledger.batteries()}
    while True:
        page = house.ledger.alerts(wanted.battery_id, active=wanted.active, rule=wanted.rule, after_id=after, limit=200)
        for alert in page:
            battery = batteries.get(alert.battery_id)
            if battery is None or not caller.sees(battery) or (wanted.site is not None and battery.site != wanted.site):
                continue
            if wanted.priority is None or alert.priority == wanted.priority:
                yield alert
        if len(page) < 200:
            return
        after = page[-1].id


@ROUTER.get("/alerts", response_model=schemas.AlertList, summary="Alerts, newest first")
def list_alerts(
    request: Request,
    house: HouseDep,
    caller: Reader,
    battery_id: Annotated[str | None, Query(max_length=200)] = None,
    active: Annotated[bool | None, Query(description="true: those that hold now; false: those that are over")] = None,
    rule: Annotated[str | None, Query(max_length=100)] = None,
    priority: Literal["high", "medium", "low"] | None = None,
    site: Annotated[str | None, Query(max_length=200)] = None,
    after: Annotated[str | None, Query(max_length=300, description="Only those after this id.")] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
) -> Response:
    if battery_id is not None:
        battery_of(house, caller, battery_id)
    if after is not None:
        alert_of(house, caller, after)
    found = visible(house, caller, Wanted(battery_id, active, rule, priority, site), after)
    page = [alert for alert, _ in zip(found, range(limit), strict=False)]
    more = len(page) == limit and next(found, None) is not None
    return asked.respond(
        request, {"alerts": [wire.alert(a) for a in page], "next": asked.next_page(request, page[-1].id if more else None)}
    )


def _with_acts(house: House, alert: Alert) -> wire.Json:
    return {"alert": wire.alert(alert), "acts": [wire.act(a) for a in house.ledger.acts(alert.id)]}


@ROUTER.get("/alerts/{alert_id}", response_model=schemas.AlertWithActs, summary="An alert with all that happened to it")
def get_alert(request: Request, house: HouseDep, caller: Reader, alert_id: str) -> Response:
    return asked.respond(request, _with_acts(house, alert_of(house, caller, alert_id)))


@ROUTER.post("/alerts/{alert_id}/acknowledge", response_model=schemas.AlertWithActs, summary="Say that you have seen it and care for it")
def acknowledge(request: Request, house: HouseDep, caller: Operator, alert_id: str) -> Response:
    """Acknowledging twice changes nothing: the first person stays."""
    alert = alert_of(house, caller, alert_id)
    if alert.state in ("unacknowledged", "returned unacknowledged"):
        house.ledger.acknowledge(alert.id, house.now_ms(), caller.name)
    return asked.respond(request, _with_acts(house, alert_of(house, caller, alert_id)))


@ROUTER.post("/alerts/{alert_id}/shelve", response_model=schemas.AlertWithActs, summary="Be quiet about it until a time, for a reason")
async def shelve(request: Request, house: HouseDep, caller: Operator, alert_id: str, wanted: schemas.ShelveIn) -> Response:
    """A shelved alert still shows on the page; it is only not pushed. It comes back by itself."""
    alert = await run_in_threadpool(alert_of, house, caller, alert_id)
    now_ms, until_ms = house.now_ms(), asked.time_ms("until", wanted.until)
    if until_ms <= now_ms:
        raise asked.wrong("until", "it has gone by already: name a time ahead")
    if until_ms - now_ms > LONGEST_SHELVE_MS:
        raise asked.wrong("until", "more than 90 days ahead: shelve it for a shorter time and look again")
    if alert.ended_ms is not None:
        raise Problem("conflict", "This alert is over, there is nothing to be quiet about.")
    await run_in_threadpool(house.ledger.shelve, alert.id, now_ms, until_ms, caller.name, wanted.reason)
    return asked.respond(request, await run_in_threadpool(_with_acts, house, await run_in_threadpool(alert_of, house, caller, alert_id)))
