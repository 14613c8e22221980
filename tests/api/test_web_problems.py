"""Bad input: each mistake is answered by a problem document (RFC 9457) that says what is wrong and what to do."""

from collections.abc import Iterator

import pytest

from api.web.problems import KINDS
from api.words import DAY_MS, rfc3339
from tests.fakes.web_client import Client
from tests.fakes.web_house import bearer, house_of
from tests.fakes.web_scene import NOW_MS, fleet

ALERT = f"heron:forecast_low:{NOW_MS - 14 * 3_600_000}"
HISTORY, CARE, SHELVE = "/api/v1/batteries/heron/history", "/api/v1/batteries/heron/care", f"/api/v1/alerts/{ALERT}/shelve"
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))


@pytest.fixture(scope="module")
def client() -> Iterator[Client]:
    """Everything is tried by whoever may do everything."""
    return Client(house_of(fleet())[0], headers=bearer("admin"))


CASES = {
    "from after to": ("GET", f"{HISTORY}?from=2025-12-02T00:00:00Z&to=2025-12-01T00:00:00Z", None, 422, "swap them"),
    "from at to": ("GET", f"{HISTORY}?from=2025-12-01T00:00:00Z&to=2025-12-01T00:00:00Z", None, 422, "swap them"),
    "ten million points": ("GET", f"{HISTORY}?points=10000000", None, 422, "at most 5000"),
    "a second over a season": ("GET", f"{HISTORY}?from=2025-09-01T00:00:00Z&every=1s", None, 422, "at most 5000"),
    "no points": ("GET", f"{HISTORY}?points=0", None, 422, "greater than or equal to 1"),
    "points and every": ("GET", f"{HISTORY}?points=10&every=1h", None, 422, "not both"),
    "every of nothing": ("GET", f"{HISTORY}?every=0h", None, 422, "write 90s, 15m, 6h or 1d"),
    "a time without zone": ("GET", f"{HISTORY}?from=2025-12-01T00:00:00", None, 422, "with its zone"),
    "a date": ("GET", f"{HISTORY}?to=yesterday", None, 422, "is not a time"),
    "the 31st of June": ("GET", f"{HISTORY}?to=2025-06-31T00:00:00Z", None, 422, "is not a time"),
    "a thousand years": ("GET", f"{HISTORY}?from=1025-12-01T00:00:00Z", None, 422, "20 years"),
    "an unknown form": ("GET", f"{HISTORY}?format=xml", None, 422, "'json' or 'csv'"),
    "an unknown battery": ("GET", "/api/v1/batteries/nobody/state", None, 404, "GET /api/v1/batteries"),
    "an unknown alert": ("GET", "/api/v1/alerts/none:x:1", None, 404, "GET /api/v1/alerts"),
    "a page of a million": ("GET", "/api/v1/batteries?limit=1000000", None, 422, "less than or equal to 500"),
    "a shelve without end": ("POST", SHELVE, {"reason": "because"}, 422, "until"),
    "a shelve without reason": ("POST", SHELVE, {"until": rfc3339(NOW_MS + DAY_MS), "reason": "  "}, 422, "reason"),
    "a shelve into the past": ("POST", SHELVE, {"until": rfc3339(NOW_MS - 1), "reason": "x"}, 422, "gone by already"),
    "a shelve for years": ("POST", SHELVE, {"until": rfc3339(NOW_MS + 91 * DAY_MS), "reason": "x"}, 422, "90 days"),
    "a shelve with a stray key": ("POST", SHELVE, {"until": rfc3339(NOW_MS + DAY_MS), "reason": "x", "who": "me"}, 422, "not known here"),
    "12.62 V typed as 1262": ("POST", CARE, {"kind": "check", "value": 1262}, 422, "such as 12.62"),
    "a voltage as text": ("POST", CARE, {"kind": "check", "value": "12.62"}, 422, "such as 12.62"),
    "a check without voltage": ("POST", CARE, {"kind": "check"}, 422, "such as 12.62"),
    "a yes as voltage": ("POST", CARE, {"kind": "check", "value": True}, 422, "value"),
    "a note of tomorrow": ("POST", CARE, {"kind": "charged", "time": rfc3339(NOW_MS + DAY_MS)}, 422, "future"),
    "an unknown deed": ("POST", CARE, {"kind": "washed"}, 422, "kind"),
    "a charge with a value": ("POST", CARE, {"kind": "charged", "value": 5.0}, 422, "leave it out"),
    "an unknown use": ("POST", CARE, {"kind": "mode", "value": "parked"}, 422, "stored, in use, by data"),
    "frost of -300": ("POST", CARE, {"kind": "coldest", "value": -300}, 422, "-60 to 60"),
    "an unknown chemistry": ("PUT", "/api/v1/batteries/wren", {"chemistry": "nickel", "rated_capacity_ah": 90}, 422, "one of flooded"),
    "a capacity as text": ("PUT", "/api/v1/batteries/wren", {"chemistry": "agm", "rated_capacity_ah": "90"}, 422, "rated_capacity_ah"),
    "a battery of nothing": ("PUT", "/api/v1/batteries/wren", {"chemistry": "agm", "rated_capacity_ah": 0}, 422, "1 to 5000"),
    "a stray key": ("PUT", "/api/v1/batteries/wren", {"chemistry": "agm", "rated_capacity_ah": 90, "volts": 12}, 422, "volts"),
    "a number beyond numbers in a declaration": ("PUT", "/api/v1/batteries/wren", {"chemistry": "agm", "rated_capacity_ah": 10**30}, 422, "cannot be kept"),
    "an id with a space": ("PUT", "/api/v1/batteries/w%20ren", {"chemistry": "agm", "rated_capacity_ah": 90}, 422, "letters, digits"),
    "another id inside": ("PUT", "/api/v1/batteries/wren", {"id": "x", "chemistry": "agm", "rated_capacity_ah": 90}, 422, "differs"),
    "a declaration of tomorrow": ("PUT", f"/api/v1/batteries/wren?since={rfc3339(NOW_MS + DAY_MS)}", {"chemistry": "agm"}, 422, "future"),
    "a list instead of keys": ("PUT", "/api/v1/batteries/wren", [1], 422, "dictionary"),
    "readings of nothing": ("POST", "/api/v1/batteries/heron/readings?format=lines", b"", 422, "at least one reading"),
    "an image as readings": ("POST", "/api/v1/batteries/heron/readings?format=lines", PNG, 422, "None of it is a reading"),
    "no format": ("POST", "/api/v1/batteries/heron/readings", b"1", 422, "format"),
    "broken JSON": ("POST", CARE, b'{"kind": ', 422, ""),
    "not UTF-8": ("POST", CARE, b"\xff\xfe", 422, ""),
    "a number beyond numbers": ("POST", CARE, b'{"kind": "check", "value": 1e999}', 422, ""),
    "an empty token": ("POST", "/api/v1/session", {"token": ""}, 422, "token"),
    "an unknown token": ("POST", "/api/v1/session", {"token": "rv_nope"}, 401, "restvolt token"),
    "no such page": ("GET", "/api/v2/batteries", None, 404, "openapi.json"),
    "the wrong method": ("DELETE", "/api/v1/batteries", None, 405, "Allow"),
    "an endless address": ("GET", f"/api/v1/batteries?site={'x' * 5000}", None, 413, "too long"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_bad_input_gets_a_problem_that_says_what_to_do(client: Client, name: str) -> None:
    """The answer has the media type and members of RFC 9457, names the mistake, and says what to do."""
    method, path, body, status, says = CASES[name]
    if body is None:
        answer = client(method, path)
    elif isinstance(body, bytes):
        answer = client(method, path, content=body, headers={"Content-Type": "application/json"} if path == CARE else {})
    else:
        answer = client(method, path, json=body)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert {"type", "title", "status", "detail", "what_to_do", "instance"} <= set(problem)
    assert problem["status"] == status
    assert says in answer.text
    assert says != "" or problem["detail"]


def test_a_shelve_of_what_is_over_is_refused(client: Client) -> None:
    """There is nothing to be quiet about: 409."""
    over = client.get("/api/v1/alerts?active=false").json()["alerts"][0]
    body = {"until": rfc3339(NOW_MS + DAY_MS), "reason": "x"}
    assert client.post(f"/api/v1/alerts/{over['id']}/shelve", json=body).status_code == 409


def test_a_fault_of_ours_shows_no_insides() -> None:
    """An exception that nobody foresaw is a problem document of 500 without trace or message."""
    scene = fleet()
    app, _wired = house_of(scene)

    def broken(note: object) -> None:
        raise RuntimeError("secret path /srv/data")

    object.__setattr__(app.state.house, "put_note", broken)
    answer = Client(app, headers=bearer("operate")).post(CARE, json={"kind": "charged"})
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers


def test_a_full_store_says_to_come_back() -> None:
    """What a port calls "not now" is 503 with its own sentence and Retry-After, not a fault."""
    app, _ = house_of(fleet())

    def full(note: object) -> None:
        raise BlockingIOError("The card is full: nothing can be kept now.")

    object.__setattr__(app.state.house, "put_note", full)
    answer = Client(app, headers=bearer("operate")).post(CARE, json={"kind": "charged"})
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "10")
    assert answer.json()["detail"] == "The card is full: nothing can be kept now."


def test_each_kind_of_problem_is_explained_where_its_type_points(client: Client) -> None:
    """`type` is an address of this service; the page there has an entry for every kind."""
    text = client.get("/problems").text
    assert all(f'id="{kind}"' in text for kind in KINDS)


def test_what_is_not_wired_says_so() -> None:
    """A service without notes, readings or messages answers 501 with a sentence."""
    from api.live import Live
    from api.web.app import create_app
    from api.web.settings import WebSettings
    from tests.fakes.web_house import TOKENS

    scene = fleet()
    app = create_app(history=scene.history, ledger=scene.ledger, settings=WebSettings(), now_ms=scene.now_ms, live=Live(), tokens=TOKENS)
    for role, method, path in (
        ("operate", "POST", CARE),
        ("ingest", "POST", "/api/v1/batteries/heron/readings?format=x"),
        ("read", "GET", "/api/v1/push"),
    ):
        body = {"kind": "charged"} if method == "POST" else None
        answer = Client(app, headers=bearer(role))(method, path, json=body)  # type: ignore[arg-type]
        assert (answer.status_code, answer.json()["type"]) == (501, "/problems#not-wired")
