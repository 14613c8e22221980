"""The record of a battery: what was done and seen, with the lows by time and depth, as values and as a page."""

import html.parser

from analytics.reading import Note
from api.battery_record import as_page, charges, lows
from api.ports import Columns
from tests.fakes.web_client import Client
from tests.fakes.web_house import bearer, house_of
from tests.fakes.web_scene import NOW_MS, fleet, van

HOUR_MS = 3_600_000


def columns(pct: list[float | None], phases: list[str | None] | None = None) -> Columns:
    n = len(pct)
    values = {"state_of_charge_pct": pct, "voltage_v": [None if p is None else 11.5 + p / 80 for p in pct]}
    return Columns([i * HOUR_MS for i in range(n)], HOUR_MS, values, phases or ["resting"] * n)


def test_a_low_has_a_beginning_an_end_and_a_depth() -> None:
    """Below the limit from hour 1 to 4, deepest in hour 2; a silence ends a low, since nobody knows what was in it."""
    first, second = lows(columns([60, 49, 40, 45, 55, 60, 48, None, 47]), 50)[:2]
    assert (first.from_ms, first.to_ms, first.lowest_pct) == (1 * HOUR_MS, 4 * HOUR_MS, 40)
    assert first.lowest_v == 12.0
    assert (second.from_ms, second.to_ms) == (6 * HOUR_MS, 7 * HOUR_MS)


def test_a_charge_tells_from_where_to_where() -> None:
    """Bulk and absorption are one charge; rest ends it."""
    (charge,) = charges(columns([40, 50, 80, 97, 97], ["resting", "bulk", "bulk", "absorption", "resting"]))
    assert (charge.first_pct, charge.last_pct, charge.to_ms - charge.from_ms) == (50, 97, 3 * HOUR_MS)


def test_nothing_makes_an_empty_record_that_still_reads() -> None:
    """A battery never heard of has a record that says so."""
    client = Client(house_of(fleet())[0], headers=bearer("admin"))
    client.put("/api/v1/batteries/wren", json={"chemistry": "agm", "rated_capacity_ah": 90})
    record = client.get("/api/v1/batteries/wren/record").json()
    assert (record["heard_from"], record["lows"], record["alerts"]["count"]) == (None, {"count": 0, "rows": []}, 0)
    assert "No reading has come yet." in as_page(record)


def test_the_record_holds_what_people_did_and_what_was_seen() -> None:
    """Checks, charges, alerts with who acted, cycles and capacity are all there; a used van shows its charges."""
    record = Client(house_of(fleet())[0], headers=bearer("read")).get("/api/v1/batteries/heron/record").json()
    assert record["checks"]["rows"] == [{"time": "2025-11-06T08:00:00Z", "kind": "check", "value": 12.71, "who": "Ines"}]
    assert record["charges_reported"]["count"] == 1
    assert record["ageing"]["equivalent_full_cycles"] == 61.4
    assert [act["kind"] for act in record["alerts"]["rows"][0]["acts"]] == ["began", "pushed"] or record["alerts"]["rows"][0]["acts"]
    used = Client(house_of(van())[0], headers=bearer("read")).get("/api/v1/batteries/linnet/record").json()
    assert used["charges_seen"]["count"] >= 10
    assert all(row["last_pct"] >= row["first_pct"] for row in used["charges_seen"]["rows"] if row["hours"] > 2)


class Tags(html.parser.HTMLParser):
    """Which tags a page has."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen.append(tag)


def test_nothing_from_outside_becomes_markup() -> None:
    """A name, a reason or a note with tags in it stands on the page as text."""
    scene = fleet()
    app, _ = house_of(scene)
    client = Client(app, headers=bearer("admin"))
    evil = "<script>alert(1)</script>'\"><img src=x onerror=alert(1)>"
    client.put("/api/v1/batteries/wren", json={"chemistry": "agm", "rated_capacity_ah": 90, "vehicle": evil, "owner": evil, "site": evil})
    scene.noted(Note("wren", NOW_MS - 1000, "check", 12.5, evil))
    scene.alert("wren", scene.ledger.alerts("heron")[0].finding._replace(title=evil, seen=evil), NOW_MS - HOUR_MS)
    tags = Tags()
    tags.feed(client.get("/api/v1/batteries/wren/record?format=html").text)
    assert "table" in tags.seen
    assert {"script", "img"}.isdisjoint(tags.seen)
