"""Routes: alerts, their events, and what people do about them."""

from collections.abc import Callable, Iterator
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response

from api.acts import LONGEST_OUT_OF_SERVICE_MS, LONGEST_SHELF_MS
from api.ports import Alert
from api.web import asked, schemas, wire
from api.web.access import Admin, Caller, Operator, Reader, alert_of, battery_of
from api.web.house import House, HouseDep
from api.web.problems import Problem

ROUTER = APIRouter(tags=["alerts"])


class Wanted:
    """Filters of a list of alerts."""

    def __init__(self, battery_id: str | None, active: bool | None, rule: str | None, priority: str | None, site: str | None) -> None:
        self.battery_id, self.active, self.rule, self.priority, self.site = battery_id, active, rule, priority, site


def visible(house: House, caller: Caller, wanted: Wanted, after: str | None) -> Iterator[Alert]:
    """Newest first, page after page: the ledger knows neither fleets nor sites, so it is told whose alerts are wanted."""
    ids = None
    if caller.fleet is not None or wanted.site is not None:
        ids = [b.id for b in house.ledger.batteries() if caller.sees(b) and (wanted.site is None or b.site == wanted.site)]
    while True:
        page = house.ledger.alerts(wanted.battery_id, active=wanted.active, rule=wanted.rule, after_id=after, limit=200, battery_ids=ids)
        for alert in page:
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


Act = Callable[[str, int], object]
"""(alert id, now): what a person does."""


def _done(request: Request, house: House, caller: Caller, alert_id: str, act: Act) -> Response:
    """Do it and answer with the alert as it is then. What cannot be is a conflict, in the ledger's own words."""
    alert = alert_of(house, caller, alert_id)
    try:
        act(alert.id, house.now_ms())
    except ValueError as e:
        raise Problem("conflict", str(e)) from e
    return asked.respond(request, _with_acts(house, alert_of(house, caller, alert_id)))


def _until_ms(house: House, wanted: schemas.ShelveIn, longest_ms: int) -> int:
    now_ms, until_ms = house.now_ms(), asked.time_ms("until", wanted.until)
    if until_ms <= now_ms:
        raise asked.wrong("until", "it has gone by already: name a time ahead")
    if until_ms - now_ms > longest_ms:
        raise asked.wrong("until", f"more than {longest_ms // asked.DAY_MS} days ahead: name a nearer time and look again then")
    return until_ms


@ROUTER.post("/alerts/{alert_id}/acknowledge", response_model=schemas.AlertWithActs, summary="Say that you have seen it and care for it")
def acknowledge(request: Request, house: HouseDep, caller: Operator, alert_id: str) -> Response:
    """Acknowledging twice changes nothing: the first person stays."""
    return _done(request, house, caller, alert_id, lambda alert, now_ms: house.ledger.acknowledge(alert, now_ms, caller.name))


@ROUTER.post("/alerts/{alert_id}/shelve", response_model=schemas.AlertWithActs, summary="Be quiet about it until a time, for a reason")
def shelve(request: Request, house: HouseDep, caller: Operator, alert_id: str, wanted: schemas.ShelveIn) -> Response:
    """A shelved alert still shows on the page; it is only not pushed. It comes back by itself."""
    alert = alert_of(house, caller, alert_id)
    until_ms = _until_ms(house, wanted, LONGEST_SHELF_MS)
    if alert.ended_ms is not None:
        raise Problem("conflict", "This alert is over, there is nothing to be quiet about.")
    return _done(
        request, house, caller, alert_id, lambda alert, now_ms: house.ledger.shelve(alert, now_ms, until_ms, caller.name, wanted.reason)
    )


@ROUTER.delete("/alerts/{alert_id}/shelve", response_model=schemas.AlertWithActs, summary="Speak of it again")
def unshelve(request: Request, house: HouseDep, caller: Operator, alert_id: str) -> Response:
    return _done(request, house, caller, alert_id, lambda alert, now_ms: house.ledger.unshelve(alert, now_ms, caller.name))


@ROUTER.post(
    "/alerts/{alert_id}/out-of-service", response_model=schemas.AlertWithActs, summary="Take it out of service, for a repair or a lay-up"
)
def take_out_of_service(request: Request, house: HouseDep, caller: Admin, alert_id: str, wanted: schemas.ShelveIn) -> Response:
    """Quiet for as long as a repair takes. It has an end too, and is recorded with who and why (IEC 62682)."""
    until_ms = _until_ms(house, wanted, LONGEST_OUT_OF_SERVICE_MS)
    return _done(
        request,
        house,
        caller,
        alert_id,
        lambda alert, now_ms: house.ledger.take_out_of_service(alert, now_ms, until_ms, caller.name, wanted.reason),
    )


@ROUTER.delete("/alerts/{alert_id}/out-of-service", response_model=schemas.AlertWithActs, summary="Return it to service")
def return_to_service(request: Request, house: HouseDep, caller: Admin, alert_id: str) -> Response:
    return _done(request, house, caller, alert_id, lambda alert, now_ms: house.ledger.return_to_service(alert, now_ms, caller.name))
