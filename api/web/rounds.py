"""Routes: the rounds sheet as JSON and CSV."""

import csv
import io
from collections import defaultdict
from typing import Annotated, Literal

from fastapi import APIRouter, Query, Request, Response
from pydantic import Field

from api.ports import Alert
from api.rounds import PROOF_MS, Row, Situation, sheet
from api.web import asked, schemas, wire
from api.web.access import Caller, Reader
from api.web.alerts import Wanted, visible
from api.web.batteries import seen_by
from api.web.beliefs import believed
from api.web.house import House, HouseDep
from api.words import rfc3339

ROUTER = APIRouter(tags=["rounds"])

COLUMNS = (
    "site",
    "vehicle",
    "battery_id",
    "action",
    "why",
    "due",
    "earliest_damage",
    "next_hire",
    "owner",
    "acknowledged",
    "acknowledged_by",
    "proof",
    "stands",
)


class RowOut(schemas.Out):
    battery_id: str
    vehicle: str
    site: str
    sort: Literal["charge", "isolate", "look", "visit", "cannot judge", "care", "done", "fine"]
    action: str
    why: str
    earliest_damage: schemas.Time | None
    due: schemas.Time | None
    next_hire: str | None
    owner: str
    alert_id: str | None
    priority: str | None
    acknowledged: schemas.Time | None
    acknowledged_by: str | None
    shelved_until: schemas.Time | None
    proof: str
    stands: str = Field(description="how it stood when it was last heard, in a line")


class Sheet(schemas.Out):
    """The sheet of one morning."""

    now: schemas.Time
    rows: list[RowOut]
    batteries: int = Field(description="How many batteries were looked at.")
    fine: int = Field(description="How many of them need nothing.")
    sites: list[str]


def situations(house: House, caller: Caller, site: str | None) -> list[Situation]:
    """What the sheet is made of. Alerts that ended more than a week ago are not looked at."""
    now_ms = house.now_ms()
    alerts: dict[str, list[Alert]] = defaultdict(list)
    for alert in visible(house, caller, Wanted(None, True, None, None, site), None):
        alerts[alert.battery_id].append(alert)
    for alert in visible(house, caller, Wanted(None, False, None, None, site), None):
        if alert.began_ms < now_ms - 20 * PROOF_MS:
            break  # newest first: what began that long ago and ended this week is rare enough to be missed here
        if alert.ended_ms is not None and now_ms - alert.ended_ms <= PROOF_MS:
            alerts[alert.battery_id].append(alert)
    batteries = seen_by(house, caller, site)
    known = believed(house, [b.id for b in batteries])
    return [Situation(b, *known[b.id], alerts[b.id]) for b in batteries]


def row(r: Row) -> wire.Json:
    out = r._asdict()
    for name in ("earliest_damage", "due", "acknowledged", "shelved_until"):
        ms = out.pop(f"{name}_ms")
        out[name] = None if ms is None else rfc3339(ms)
    return out


@ROUTER.get(
    "/rounds",
    response_model=Sheet,
    responses={200: {"content": {"text/csv": {"schema": {"type": "string"}}}}},
    summary="The morning's worklist: one action a vehicle, the earliest damage first",
)
def get_rounds(
    request: Request,
    house: HouseDep,
    caller: Reader,
    site: Annotated[str | None, Query(max_length=200)] = None,
    fine: Annotated[bool, Query(description="also those that need nothing")] = False,
    format: Annotated[Literal["json", "csv"], Query()] = "json",  # noqa: A002
) -> Response:
    found = situations(house, caller, site)
    rows = [row(r) for r in sheet(found, house.now_ms(), fine=True)]
    needy = sum(1 for r in rows if r["sort"] != "fine")
    shown = rows if fine else [r for r in rows if r["sort"] != "fine"]
    if format == "csv":
        headers = {"Content-Disposition": 'attachment; filename="rounds.csv"'}
        return asked.respond(request, as_csv(shown), media_type="text/csv; charset=utf-8", headers=headers)
    sites = sorted({b.site for b in seen_by(house, caller) if b.site})
    now = rfc3339(house.now_ms() // 60_000 * 60_000)  # to the minute, so that the ETag holds that long
    return asked.respond(request, {"now": now, "rows": shown, "batteries": len(found), "fine": len(rows) - needy, "sites": sites})


def as_csv(rows: list[wire.Json]) -> bytes:
    """RFC 4180. A cell that a spreadsheet would take for a formula is set off with an apostrophe (OWASP: CSV injection)."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for r in rows:
        writer.writerow([_cell(r[name]) for name in COLUMNS])
    return out.getvalue().encode()


def _cell(value: object) -> str:
    text = "" if value is None else str(value)
    return "'" + text if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
