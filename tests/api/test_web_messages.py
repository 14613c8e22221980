"""Browsers that want to be told, test messages and the list of what was sent, over the API and down to an encrypted push on loopback.

The push service of the tests opens what it gets with http_ece, which is not what encrypted it by our hand: RFC 8291 is the judge.
"""

import base64
import stat
from collections.abc import Iterator

import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from pydantic import SecretStr

from analytics.assessment import AlertEvent
from analytics.batch import Batch
from api.people import PAGE, Person, PushSettings
from tests.fakes.push_service import PushService, push_service
from tests.fakes.web_client import Client
from tests.fakes.web_house import Wired, bearer, house_of
from tests.fakes.web_scene import HERON, NOW_MS, OTHERS, fleet, runs_low

PEOPLE = PushSettings(
    people=(
        Person(name="Ines", urls=(SecretStr(PAGE),), digest_at=None, temperature_unit="F"),
        Person(name="Tom", urls=(SecretStr("terminal:"),), sites=("Hill farm",), digest_at=None),
    ),
    allow_private_addresses=True,
)
SUBSCRIPTIONS = "/api/v1/push/subscriptions"


@pytest.fixture
def service() -> Iterator[PushService]:
    with push_service() as running:
        yield running


def house(role: str = "admin", of: str | None = None) -> tuple[Client, Wired]:
    """The service once it has told what had happened before."""
    app, wired = house_of(fleet(), push=PEOPLE)
    wired.outbox.plan_once()
    return Client(app, headers=bearer(role, of)), wired  # type: ignore[arg-type]


def begins(wired: Wired, battery_id: str, priority: str = "high") -> AlertEvent:
    """An alert begins now and the outbox does all that it can."""
    finding = runs_low(HERON, 52, (1, 2), 95)._replace(priority=priority)
    event = AlertEvent(f"{battery_id}:low_voltage:{NOW_MS}", battery_id, "low_voltage", "began", NOW_MS, priority, "held", finding)
    wired.scene.ledger.commit(Batch(events=[event]))
    works(wired)
    return event


def works(wired: Wired) -> None:
    wired.outbox.plan_once()
    for name in wired.reach.now().channels:
        if name.partition("/")[2] != "1":
            while wired.outbox.send_once(name):
                pass


def test_a_browser_is_told_in_the_words_of_the_page(service: PushService) -> None:
    """Subscribe, an alert begins: the browser opens a message with title, text and alert of the API, in the units of the person."""
    client, wired = house()
    made = client.post(SUBSCRIPTIONS, json={**service.subscription(), "person": "Ines", "device": "phone"})
    assert made.status_code == 201
    event = begins(wired, "heron")
    read = service.opened()
    assert (read["title"], read["alert_id"], read["battery_id"]) == (f"Heron, four berths: {event.finding.title}", event.alert_id, "heron")
    alert = client.get(f"/api/v1/alerts/{event.alert_id}").json()["alert"]["finding"]
    for sentence in (alert["seen"], alert["meaning"], alert["advice"]):
        assert sentence in read["text"]
    assert service.headers["urgency"] == "high"
    told = client.get("/api/v1/deliveries?person=Ines&limit=1").json()["deliveries"]
    assert [(d["battery_id"], d["state"], d["title"]) for d in told] == [("heron", "sent", read["title"])]


@pytest.mark.parametrize("status", [404, 410])
def test_a_browser_that_is_gone_is_forgotten(service: PushService, status: int) -> None:
    """The push service says that it is gone (RFC 8030 section 7.3): the subscription is taken away and the list says why."""
    client, wired = house()
    client.post(SUBSCRIPTIONS, json=service.subscription())
    service.status = status
    begins(wired, "heron")
    assert client.get("/api/v1/push").json()["subscriptions"] == []
    (told,) = client.get("/api/v1/deliveries?person=Ines&state=failed").json()["deliveries"]
    assert told["state"] == "refused"
    assert "no longer subscribed" in told["last_error"]
    works(wired)
    assert not [name for name in wired.reach.now().channels if name.startswith("Ines/")]


def test_a_busy_push_service_is_tried_again(service: PushService) -> None:
    """503 keeps the browser; the list says that it waits, why, and when the next try is."""
    client, wired = house()
    client.post(SUBSCRIPTIONS, json=service.subscription())
    service.status = 503
    begins(wired, "heron")
    (told,) = client.get("/api/v1/deliveries?person=Ines&state=failed").json()["deliveries"]
    assert (told["state"], told["tries"]) == ("waiting", 1)
    assert told["next_try"] > told["made"]
    assert len(client.get("/api/v1/push").json()["subscriptions"]) == 1


def test_keys_and_browsers_are_secrets_of_one_owner(service: PushService) -> None:
    """The key is made once, as a point of P-256 (RFC 8292 section 3.2); what is kept can be read by its owner only."""
    client, wired = house()
    key = client.get("/api/v1/push").json()["public_key"]
    client.post(SUBSCRIPTIONS, json=service.subscription())
    assert client.get("/api/v1/push").json()["public_key"] == key
    raw = base64.urlsafe_b64decode(key + "=" * (-len(key) % 4))
    ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), raw)
    folder = wired.scene.folder() / "web-push"
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in (folder, *folder.iterdir())}
    assert modes.pop("web-push") == 0o700
    assert set(modes.values()) == {0o600}
    assert len(modes) == 2


def test_the_same_browser_twice_is_one(service: PushService) -> None:
    """Subscribing again replaces what was kept, as another person too; taking it away twice is a 404."""
    client, _ = house()
    first = client.post(SUBSCRIPTIONS, json=service.subscription()).json()
    again = client.post(SUBSCRIPTIONS, json={**service.subscription(), "person": "Tom"}).json()
    assert (first["person"], again["person"], again["id"]) == ("Ines", "Tom", first["id"])
    assert [s["person"] for s in client.get("/api/v1/push").json()["subscriptions"]] == ["Tom"]
    assert client("DELETE", f"{SUBSCRIPTIONS}/{first['id']}").status_code == 204
    gone = client("DELETE", f"{SUBSCRIPTIONS}/{first['id']}")
    assert (gone.status_code, gone.json()["type"]) == (404, "/problems#unknown-browser")


def test_a_token_of_one_fleet_hears_of_that_fleet_only(service: PushService) -> None:
    """A reader of one fleet subscribes as somebody of their own; another fleet's alert never reaches the browser, theirs does."""
    client, wired = house("read", "")
    made = client.post(SUBSCRIPTIONS, json=service.subscription())
    assert made.json()["person"] == "read of '' (own fleet)"
    begins(wired, OTHERS.id)
    begins(wired, "heron")
    assert service.opened()["battery_id"] == "heron"
    seen = {d["battery_id"] for d in client.get("/api/v1/deliveries").json()["deliveries"]}
    assert "heron" in seen
    assert "magpie" not in seen
    assert client.get("/api/v1/push").json()["people"] == [{"name": "read of '' (own fleet)", "ways": 1, "priority": "low", "sites": []}]
    for person in ("Ines", "somebody"):
        refused = client.post(SUBSCRIPTIONS, json={**service.subscription("two"), "person": person})
        assert (refused.status_code, refused.json()["errors"][0]["where"]) == (422, "person")


def test_nobody_takes_away_anothers_browser(service: PushService) -> None:
    """A reader sees and removes their own subscriptions only; to others it is a 404."""
    admin, wired = house()
    made = admin.post(SUBSCRIPTIONS, json=service.subscription()).json()
    reader = Client(admin.app, headers=bearer("read", None))
    assert reader.get("/api/v1/push").json()["subscriptions"] == []
    assert reader("DELETE", f"{SUBSCRIPTIONS}/{made['id']}").status_code == 404
    assert len(wired.reach.subscriptions()) == 1


def test_a_test_message_is_sent_and_listed(service: PushService) -> None:
    """An operator sends a person a test; it comes through encrypted and stands in the list with how it ended."""
    client, wired = house("operate")
    Client(client.app, headers=bearer("admin", None)).post(SUBSCRIPTIONS, json={**service.subscription(), "person": "Ines"})
    answer = client.post("/api/v1/push/test", json={"person": "Ines"})
    assert answer.status_code == 202
    assert [(d["person"], d["kind"], d["state"]) for d in answer.json()["deliveries"]] == [("Ines", "test", "waiting")]
    works(wired)
    assert service.opened()["title"] == "Restvolt: a test"
    assert client.get("/api/v1/deliveries?person=Ines&limit=1").json()["deliveries"][0]["state"] == "sent"


BAD = {
    "no https": ({"endpoint": "ftp://push.example/x"}, "endpoint", "https"),
    "no address": ({"endpoint": "push"}, "endpoint", "https"),
    "a short key": ({"keys": {"p256dh": "AAAA", "auth": "AAAA"}}, "keys.p256dh", "65 bytes"),
    "no base64": ({"keys": {"p256dh": "ü" * 87, "auth": "AAAA"}}, "keys.p256dh", "base64url"),
    "no keys": ({"keys": {}}, "body.keys.p256dh", "required"),
    "a stray key": ({"colour": "blue"}, "body.colour", "not known here"),
    "a stranger": ({"person": "nobody"}, "person", "expected one of: Ines, Tom"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_subscription_that_no_browser_gives_is_refused(service: PushService, name: str) -> None:
    """Each mistake is named with its key and what was expected, and nothing is kept."""
    change, where, says = BAD[name]
    client, wired = house()
    answer = client.post(SUBSCRIPTIONS, json={**service.subscription(), **change})
    assert answer.status_code == 422
    assert any(e["where"] == where and says in e["says"] for e in answer.json()["errors"]), answer.text
    assert wired.reach.subscriptions() == []


@pytest.mark.parametrize(
    ("person", "status", "says"), [("nobody", 422, "expected one of: Ines, Tom"), ("Ines", 409, "subscribe a browser")]
)
def test_a_test_to_nobody_says_who_there_is(person: str, status: int, says: str) -> None:
    """An unknown person is refused with the names; one without any way is told how to get one."""
    client, _ = house("operate")
    answer = client.post("/api/v1/push/test", json={"person": person})
    assert (answer.status_code, says in answer.text) == (status, True)


def test_the_list_of_deliveries_has_pages() -> None:
    """Following `next` gives each message once, newest first."""
    client, _ = house("operate")
    for _ in range(5):
        client.post("/api/v1/push/test", json={"person": "Tom"})
    ids, path = [], "/api/v1/deliveries?person=Tom&limit=2"
    while path is not None:
        body = client.get(path).json()
        ids += [d["id"] for d in body["deliveries"]]
        path = body["next"]
    assert len(ids) == 5 + 1  # and what Tom was told before
    assert ids == sorted(ids, reverse=True)
    assert client.get("/api/v1/deliveries?battery_id=nobody").status_code == 404
    assert client.get("/api/v1/deliveries?state=lost").status_code == 422
