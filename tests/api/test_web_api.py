"""The API as a program uses it: batteries, state, history, alerts, care, rounds, readings, metrics, health."""

import csv
import io

import orjson
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from sqlalchemy import event

from analytics.assessment import Assessment, Details
from analytics.batch import Batch
from analytics.battery import Battery
from analytics.reading import Reading
from api.health import Health, Part
from api.words import DAY_MS, rfc3339
from tests.fakes.web_client import Client
from tests.fakes.web_house import Wired, bearer, house_of
from tests.fakes.web_scene import NOW_MS, Scene, fleet

HERON_ALERT = f"heron:forecast_low:{NOW_MS - 14 * 3_600_000}"


@pytest.fixture(scope="module")
def still() -> Scene:
    """A scene that tests only look at."""
    return fleet()


@pytest.fixture(scope="module")
def reader(still: Scene) -> Client:
    return Client(house_of(still)[0], headers=bearer("read"))


@pytest.fixture
def changing() -> tuple[Client, Wired]:
    """A scene that a test may change, asked with the role `admin`."""
    app, wired = house_of(fleet())
    return Client(app, headers=bearer("admin")), wired


def test_batteries_come_in_pages_and_every_one_once(reader: Client) -> None:
    """Following `next` gives every battery of the fleet once, by id, and no other fleet's."""
    ids, path = [], "/api/v1/batteries?limit=3"
    while path is not None:
        body = reader.get(path).json()
        ids += [row["battery"]["id"] for row in body["batteries"]]
        path = body["next"]
    assert ids == ["bittern", "curlew", "dipper", "heron", "plover", "tern", "wagtail"]


def test_batteries_can_be_asked_by_site(reader: Client) -> None:
    """`site` leaves only the batteries that live there."""
    rows = reader.get("/api/v1/batteries", params={"site": "Hill farm"}).json()["batteries"]
    assert [row["battery"]["id"] for row in rows] == ["bittern", "curlew", "plover"]


def test_state_says_it_in_numbers_and_in_words(reader: Client) -> None:
    """The interval stands in the numbers and in a sentence, and so does the last anchor."""
    state = reader.get("/api/v1/batteries/heron/state").json()
    assert state["state_of_charge_low_pct"] < state["state_of_charge_pct"] < state["state_of_charge_high_pct"]
    assert state["words"]["charge"].startswith("About 58 %, very likely between")
    assert "read at rest" in state["words"]["why"]
    assert state["forecast"]["earliest"] < state["forecast"]["latest"]


def test_a_battery_never_heard_of_has_a_state_of_nothing(changing: tuple[Client, Wired]) -> None:
    """Before the first reading all numbers are null and the words say so."""
    client, _ = changing
    assert client.put("/api/v1/batteries/wren", json={"chemistry": "agm", "rated_capacity_ah": 90}).status_code == 201
    state = client.get("/api/v1/batteries/wren/state").json()
    assert state["voltage_v"] is None
    assert state["state_of_charge_pct"] is None
    assert state["words"]["silence"] == "Nothing has been heard of this battery yet."


def test_an_answer_that_is_known_already_is_not_sent_again(reader: Client) -> None:
    """If-None-Match with the ETag of the same answer gives 304 and no body (RFC 9110, section 13.1.2)."""
    for path in ("/api/v1/batteries/heron/state", "/api/v1/batteries/heron/history?points=50"):
        first = reader.get(path)
        again = reader.get(path, headers={"If-None-Match": f'"other", W/{first.headers["etag"]}'})
        assert (again.status_code, again.content) == (304, b"")
        assert reader.get(path, headers={"If-None-Match": '"other"'}).status_code == 200


def test_history_shows_a_gap_as_a_row_of_nulls(reader: Client) -> None:
    """The two silent days of the scene are a row without values, in JSON and as empty cells in CSV."""
    asked = {"from": rfc3339(NOW_MS - 12 * DAY_MS), "to": rfc3339(NOW_MS), "every": "1h"}
    body = reader.get("/api/v1/batteries/heron/history", params=asked).json()
    columns = {name: column for name, column in body.items() if name != "every_ms"}
    assert {len(column) for column in columns.values()} == {len(body["time_ms"])}
    gap = body["voltage_v"].index(None)
    assert all(column[gap] is None for name, column in columns.items() if name != "time_ms")
    text = reader.get("/api/v1/batteries/heron/history", params={**asked, "format": "csv"}).text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == len(body["time_ms"])
    assert rows[gap]["voltage_v"] == ""
    assert float(rows[0]["voltage_v"]) == body["voltage_v"][0]


def test_history_gives_no_more_points_than_asked_for(reader: Client) -> None:
    """`points` is a ceiling; `every` sets the width of a point."""
    assert len(reader.get("/api/v1/batteries/heron/history?points=40").json()["time_ms"]) <= 40
    assert reader.get("/api/v1/batteries/heron/history?every=6h").json()["every_ms"] == 6 * 3_600_000


def test_alerts_can_be_filtered_and_come_newest_first(reader: Client) -> None:
    """Active ones, of one rule, of one battery; pages follow `next`."""
    began, path = [], "/api/v1/alerts?active=true&limit=2"
    while path is not None:
        body = reader.get(path).json()
        began += [alert["began"] for alert in body["alerts"]]
        path = body["next"]
    assert len(began) == 4
    assert began == sorted(began, reverse=True)
    assert [a["battery_id"] for a in reader.get("/api/v1/alerts?priority=high").json()["alerts"]] == ["plover"]
    assert [a["battery_id"] for a in reader.get("/api/v1/alerts?rule=silence").json()["alerts"]] == ["curlew"]
    assert [a["battery_id"] for a in reader.get("/api/v1/alerts?active=false").json()["alerts"]] == ["tern"]
    assert [a["battery_id"] for a in reader.get("/api/v1/alerts?battery_id=heron").json()["alerts"]] == ["heron"]


def test_the_first_to_acknowledge_stays(changing: tuple[Client, Wired]) -> None:
    """Acknowledging names who and when, leaves the alert standing, and a second time changes nothing."""
    client, _ = changing
    client.headers = bearer("operate")
    first = client.post(f"/api/v1/alerts/{HERON_ALERT}/acknowledge").json()
    client.headers = bearer("admin")
    second = client.post(f"/api/v1/alerts/{HERON_ALERT}/acknowledge").json()
    assert first["alert"]["state"] == "acknowledged"
    assert second == first
    assert [act["kind"] for act in second["acts"]] == ["began", "acknowledged"]


def test_shelving_is_kept_with_who_why_and_until(changing: tuple[Client, Wired]) -> None:
    """A shelved alert has an end, a reason and a name, and leaves the rounds until then."""
    client, _ = changing
    until = rfc3339(NOW_MS + 3 * DAY_MS)
    body = client.post(f"/api/v1/alerts/{HERON_ALERT}/shelve", json={"until": until, "reason": " on the hook-up from noon "}).json()
    assert body["alert"]["shelved_until"] == until
    assert body["acts"][-1]["text"] == "on the hook-up from noon"
    heron = next(row for row in client.get("/api/v1/rounds").json()["rows"] if row["battery_id"] == "heron")
    assert heron["alert_id"] is None


def test_a_typed_voltage_is_in_the_care_log(changing: tuple[Client, Wired]) -> None:
    """What a person measured is kept with their name and stands first in the log."""
    client, wired = changing
    client.headers = bearer("operate")
    answer = client.post("/api/v1/batteries/heron/care", json={"kind": "check", "value": 12.62})
    assert answer.status_code == 201
    assert wired.scene.ledger.notes("heron")[-1].value == 12.62
    newest = client.get("/api/v1/batteries/heron/care").json()["notes"][0]
    assert (newest["kind"], newest["value"], newest["who"]) == ("check", 12.62, "operate of ''")


def test_a_changed_declaration_is_kept_beside_the_old_one(changing: tuple[Client, Wired]) -> None:
    """A new capacity from a chosen date: both declarations stay, and the root is asked to fold again from that date."""
    client, wired = changing
    declared = client.get("/api/v1/batteries/heron").json()
    since_ms = NOW_MS - 20 * DAY_MS
    answer = client.put("/api/v1/batteries/heron", params={"since": rfc3339(since_ms)}, json={**declared, "rated_capacity_ah": 95.0})
    assert answer.status_code == 200
    rows = client.get("/api/v1/batteries/heron/declarations").json()["declarations"]
    assert [row["battery"]["rated_capacity_ah"] for row in rows] == [110.0, 95.0]
    assert wired.redeclared == [("heron", since_ms)]


def test_readings_over_http_are_receipted(changing: tuple[Client, Wired]) -> None:
    """Good ones are kept, bad ones are named; if none is good the answer is a problem."""
    client, _ = changing
    client.headers = bearer("ingest")
    mixed = client.post("/api/v1/batteries/heron/readings?format=lines", content=b"12.6\noops\n12.5")
    assert mixed.json() == {"kept": 2, "rejected": ["not a number"]}
    assert client.post("/api/v1/batteries/heron/readings?format=lines", content=b"oops").status_code == 422
    assert (
        client.post("/api/v1/batteries/heron/readings?format=other", content=b"1").json()["detail"]
        == "format: no format `other`; there is: lines."
    )


def test_metrics_are_openmetrics(reader: Client) -> None:
    """The reference parser of the format accepts them; a fleet's token sees its batteries and no numbers of the service."""
    families = {f.name: f for f in text_string_to_metric_families(reader.get("/metrics").text)}
    volts = {s.labels["battery"] for s in families["restvolt_battery_voltage_volts"].samples}
    assert volts == {"bittern", "curlew", "dipper", "heron", "plover", "tern", "wagtail"}
    assert "restvolt_readings_kept" not in families


def test_metrics_of_the_service_need_every_fleet(still: Scene) -> None:
    """A token for all fleets sees counters of the service too."""
    app, _ = house_of(still)
    client = Client(app, headers=bearer("read", None))
    families = {f.name: f for f in text_string_to_metric_families(client.get("/metrics").text)}
    assert families["restvolt_readings_kept"].samples[0].name == "restvolt_readings_kept_total"
    assert families["restvolt_part_works"].samples[0].value == 1.0


def test_readiness_tells_the_truth_but_no_secrets(changing: tuple[Client, Wired]) -> None:
    """A needed part that fails makes it 503; why it fails is told to no stranger; alive it is all the same."""
    client, wired = changing
    stranger = Client(client.app)
    assert stranger.get("/readyz").status_code == 200
    wired.health = Health((Part("store", False, "The disk is full."), Part("mqtt", False, "Refused.", needed=False)))
    answer = stranger.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["parts"][0] == {"name": "store", "works": False, "says": None}
    assert stranger.get("/healthz").json()["status"] == "alive"


def test_the_rounds_as_csv_are_the_rounds(reader: Client) -> None:
    """Both forms have the same rows in the same order."""
    rows = reader.get("/api/v1/rounds").json()["rows"]
    text = reader.get("/api/v1/rounds?format=csv").text
    assert [r["battery_id"] for r in csv.DictReader(io.StringIO(text))] == [r["battery_id"] for r in rows]


def test_deliveries_say_who_was_told(reader: Client) -> None:
    """The message that was sent is listed with its channel and state."""
    found = reader.get("/api/v1/deliveries?battery_id=heron").json()["deliveries"]
    assert [(d["channel"], d["state"]) for d in found] == [("Ines/1", "sent")]


def test_answers_are_json_as_the_schemas_say(reader: Client) -> None:
    """Every schema of an answer accepts what the routes give (the schemas only describe, so this holds them to it)."""
    from api.web import rounds, schemas

    given = {
        "/api/v1/batteries": schemas.BatteryList,
        "/api/v1/batteries/heron": schemas.BatteryOut,
        "/api/v1/batteries/heron/state": schemas.State,
        "/api/v1/batteries/heron/history": schemas.HistoryOut,
        "/api/v1/batteries/heron/care": schemas.NoteList,
        "/api/v1/batteries/heron/declarations": schemas.DeclarationList,
        "/api/v1/deliveries": schemas.DeliveryPage,
        "/api/v1/push": schemas.PushOut,
        "/api/v1/alerts": schemas.AlertList,
        f"/api/v1/alerts/{HERON_ALERT}": schemas.AlertWithActs,
        "/api/v1/rounds?fine=true": rounds.Sheet,
    }
    for path, schema in given.items():
        parsed = schema.model_validate(orjson.loads(reader.get(path).content))
        assert parsed.model_dump(exclude_unset=True)


@pytest.mark.parametrize("path", ["/api/v1/rounds", "/api/v1/batteries?limit=500", "/metrics"])
def test_a_large_fleet_asks_no_more_of_the_database_than_a_small_one(path: str) -> None:
    """Six hundred silent vehicles are read with the same number of questions as one; each is in the answer with its last voltage."""
    asked, counts = list[str](), list[int]()
    scene = fleet()
    client = Client(house_of(scene)[0], headers=bearer("read"))
    client.get(path)
    event.listen(scene.database._read_engine, "before_cursor_execute", lambda _c, _u, statement, *_: asked.append(statement))
    for more in (1, 600):
        for number in range(more):
            battery = Battery(f"many{number}", "agm", 100.0)
            reading = Reading(battery.id, NOW_MS - DAY_MS, 12.345)
            judged = Assessment(battery.id, NOW_MS, None, None, None, 70.0, 60.0, 80.0, "resting", None, Details(NOW_MS))
            scene.ledger.declare(battery, NOW_MS - 9 * DAY_MS, "test")
            scene.ledger.commit(Batch(kept=[(reading, judged)], news={battery.id: judged}))
        client.get(path)
        asked.clear()
        text = client.get(path).text
        counts.append(len(asked))
    assert counts[0] == counts[1] < 20
    assert text.count("many") >= 500
    assert path == "/api/v1/rounds" or text.count("12.345") >= 400
