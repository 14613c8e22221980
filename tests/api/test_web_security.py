"""Who may ask what: every route with every role, another fleet, forged and expired sessions, other web pages, limits."""

from itertools import pairwise

import pytest
from pydantic import SecretStr

from api.people import Person, PushSettings
from api.tokens import MAY, ROLES, Token, Tokens, issue, session_token, session_value
from api.web.guard import Buckets
from api.web.settings import WebSettings
from api.words import DAY_MS
from tests.fakes.web_client import Client
from tests.fakes.web_house import bearer, house_of, token_of
from tests.fakes.web_scene import NOW_MS, Scene, fleet

ALERT = f"heron:forecast_low:{NOW_MS - 14 * 3_600_000}"
READS = (
    "/api/v1/batteries", "/api/v1/batteries/heron", "/api/v1/batteries/heron/state", "/api/v1/batteries/heron/history",
    "/api/v1/batteries/heron/declarations", "/api/v1/batteries/heron/care", "/api/v1/deliveries", "/api/v1/push",
    "/api/v1/batteries/heron/record", "/api/v1/alerts", f"/api/v1/alerts/{ALERT}", "/api/v1/rounds", "/metrics",
)  # fmt: skip
CHANGES = (
    ("operate", "POST", f"/api/v1/alerts/{ALERT}/acknowledge", None),
    ("operate", "POST", f"/api/v1/alerts/{ALERT}/shelve", {"until": "2025-12-05T00:00:00Z", "reason": "on the hook-up"}),
    ("operate", "POST", "/api/v1/push/test", {"person": "Ines"}),
    ("operate", "POST", "/api/v1/batteries/heron/care", {"kind": "check", "value": 12.6}),
    ("admin", "PUT", "/api/v1/batteries/heron", {"chemistry": "agm", "rated_capacity_ah": 100}),
)
OTHER_ALERT = f"magpie:forecast_low:{NOW_MS}"


@pytest.fixture(scope="module")
def scene() -> Scene:
    """A scene in which another fleet has a battery with an alert."""
    scene = fleet()
    scene.alert("magpie", scene.ledger.alerts("heron")[0].finding, NOW_MS)
    return scene


@pytest.mark.parametrize("path", READS)
def test_nobody_reads_without_a_token(scene: Scene, path: str) -> None:
    """Without a token every route that tells something answers 401 with a problem and the scheme to use."""
    answer = Client(house_of(scene)[0]).get(path)
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize("role", ROLES)
def test_each_role_may_do_what_it_says_and_no_more(role: str) -> None:
    """Reading and each kind of change is allowed exactly to the roles that the table names."""
    ines = PushSettings(people=(Person(name="Ines", urls=(SecretStr("terminal:"),), fleet=""),))
    client = Client(house_of(fleet(), push=ines)[0], headers=bearer(role))  # type: ignore[arg-type]
    for path in READS:
        assert (client.get(path).status_code == 200) == ("read" in MAY[role]), path
    for needed, method, path, body in CHANGES:
        answer = client(method, path, json=body)
        assert (answer.status_code < 300) == (needed in MAY[role]), (path, answer.text)
        assert answer.status_code < 300 or answer.status_code == 403
    sent = client.post("/api/v1/batteries/heron/readings?format=lines", content=b"12.6")
    assert (sent.status_code == 200) == ("ingest" in MAY[role])


def test_another_fleets_battery_is_not_known_to_exist(scene: Scene) -> None:
    """Its id answers 404 on every route, the same words as an id that nobody has, and it is in no list (OWASP API1:2023)."""
    client = Client(house_of(scene)[0], headers=bearer("admin"))
    for path in READS:
        for theirs, nobodys in (("magpie", "nobody"), (OTHER_ALERT, "nobody:x:1")):
            mine = "heron" if theirs == "magpie" else ALERT
            if not path.endswith(mine) and f"/{mine}/" not in path:
                continue
            one, two = client.get(path.replace(mine, theirs)), client.get(path.replace(mine, nobodys))
            assert one.status_code == two.status_code == 404
            assert one.text.replace(theirs, "") == two.text.replace(nobodys, "")
    for path in ("/api/v1/batteries", "/api/v1/alerts", "/api/v1/rounds?fine=true", "/metrics"):
        assert "magpie" not in client.get(path).text
    assert client.get("/api/v1/alerts?battery_id=magpie").status_code == 404
    assert client.get(f"/api/v1/alerts?after={OTHER_ALERT}").status_code == 404
    taken = client.put("/api/v1/batteries/magpie", json={"chemistry": "agm", "rated_capacity_ah": 90})
    assert taken.status_code == 409
    assert scene.ledger.battery("magpie").rated_capacity_ah == 100  # type: ignore[union-attr]


def test_a_fleets_token_cannot_declare_for_another_fleet(scene: Scene) -> None:
    """The declaration gets the token's fleet; naming another one is refused."""
    client = Client(house_of(scene)[0], headers=bearer("admin"))
    body = {"chemistry": "agm", "rated_capacity_ah": 90, "fleet": "another fleet"}
    assert client.put("/api/v1/batteries/robin", json=body).json()["errors"][0]["where"] == "fleet"


@pytest.mark.parametrize("header", ["Bearer rv_000000000000_" + "A" * 43, "Bearer x", "Basic YTpi", "Bearer", "", "Bearer " + "é" * 10])
def test_a_wrong_token_is_refused_even_where_none_is_needed(scene: Scene, header: str) -> None:
    """A wrong token is never treated as no token: it answers 401 on an open loopback too."""
    client = Client(house_of(scene, WebSettings())[0], address="127.0.0.1")
    assert client.get("/api/v1/batteries").status_code == 200
    assert client.get("/api/v1/batteries", headers={"Authorization": header.encode()}).status_code == 401  # type: ignore[dict-item]


def test_a_token_with_the_wrong_secret_is_refused(scene: Scene) -> None:
    """The id of a real token with another secret opens nothing."""
    text = token_of("read")
    forged = text[:-1] + ("A" if text[-1] != "A" else "B")
    assert Client(house_of(scene)[0], headers={"Authorization": f"Bearer {forged}"}).get("/api/v1/rounds").status_code == 401


def test_loopback_is_open_only_if_the_settings_say_so_and_nobody_passed_it_on(scene: Scene) -> None:
    """A proxy on this machine makes everybody look local, so a request that was passed on needs a token."""
    app, _ = house_of(scene, WebSettings(open_on_loopback=True))
    for address in ("127.0.0.1", "::1"):
        local = Client(app, address=address)
        assert local.get("/api/v1/batteries").status_code == 200
        assert local.get("/api/v1/batteries", headers={"X-Forwarded-For": "203.0.113.5"}).status_code == 401
    assert Client(app, address="192.168.4.7").get("/api/v1/batteries").status_code == 401
    closed, _ = house_of(scene, WebSettings(open_on_loopback=False))
    assert Client(closed, address="127.0.0.1").get("/api/v1/batteries").status_code == 401


def test_signing_in_gives_a_cookie_that_no_script_reads(scene: Scene) -> None:
    """The cookie is HttpOnly and SameSite=Strict, works for what the token may do, and ends with signing out."""
    client = Client(house_of(scene)[0])
    answer = client.post("/api/v1/session", json={"token": token_of("operate")})
    cookie = answer.headers["set-cookie"]
    assert {"HttpOnly", "SameSite=strict", "Path=/"} <= {part.strip() for part in cookie.split(";")}
    assert token_of("operate") not in cookie
    session = {"Cookie": cookie.split(";")[0]}
    assert client.get("/api/v1/rounds", headers=session).status_code == 200
    assert client.get("/api/v1/session", headers=session).json()["may"] == ["operate", "read"]
    assert 'restvolt_session=""' in client("DELETE", "/api/v1/session", headers=session).headers["set-cookie"]
    secure = Client(house_of(scene, WebSettings(secure_cookie=True))[0]).post("/api/v1/session", json={"token": token_of("read")})
    assert "Secure" in secure.headers["set-cookie"]


def test_a_session_cannot_be_forged_and_ends_with_its_token() -> None:
    """Another end, another token or a withdrawn token make the cookie void."""
    (_, mine), (_, other) = issue("mine", "read", None, NOW_MS), issue("other", "admin", None, NOW_MS)
    tokens = Tokens(tokens=[mine, other])
    value = session_value(mine, NOW_MS + DAY_MS)
    assert session_token(value, tokens, NOW_MS) == mine
    assert session_token(value, tokens, NOW_MS + DAY_MS) is None
    token_id, until, seal = value.split(".")
    for forged in (
        f"{token_id}.{int(until) + 1}.{seal}",
        f"{other.id}.{until}.{seal}",
        f"{token_id}.{until}.",
        "",
        "..",
        "a.²3.b",
        f"{token_id}.{until}.é",
    ):
        assert session_token(forged, tokens, NOW_MS) is None
    tokens.withdraw(mine.id)
    assert session_token(value, tokens, NOW_MS) is None


def test_an_expired_token_opens_nothing() -> None:
    """From its last millisecond on it is refused."""
    text, record = issue("guest", "read", None, NOW_MS, NOW_MS + 1000)
    tokens = Tokens(tokens=[record])
    assert tokens.find(text, NOW_MS + 999) == record
    assert tokens.find(text, NOW_MS + 1000) is None


def test_other_web_pages_can_change_nothing(scene: Scene) -> None:
    """A request that a browser says comes from elsewhere is refused, with a cookie or on an open loopback."""
    client = Client(house_of(scene, WebSettings())[0], address="127.0.0.1", base_url="http://127.0.0.1:8765")
    path, body = "/api/v1/batteries/heron/care", {"kind": "charged"}
    for foreign in (
        {"Origin": "https://example.org"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "null"},
    ):
        assert client.post(path, json=body, headers=foreign).json()["type"] == "/problems#other-origin"
    own = {"Origin": "http://127.0.0.1:8765", "Sec-Fetch-Site": "same-origin"}
    assert client.post(path, json=body, headers=own).status_code == 201


def test_a_name_that_is_not_ours_is_refused(scene: Scene) -> None:
    """A foreign name that points at this machine (DNS rebinding) reads nothing; addresses and set names do."""
    app, _ = house_of(scene, WebSettings(hostnames=("van.home.arpa",)))
    for host, status in (
        ("evil.example", 421),
        ("van.home.arpa:8765", 200),
        ("localhost:8765", 200),
        ("[::1]:8765", 200),
        ("192.0.2.7", 200),
        ("", 421),
    ):
        assert Client(app, address="127.0.0.1").get("/api/v1/rounds", headers={"Host": host}).status_code == status, host


def test_every_answer_carries_the_security_headers(scene: Scene) -> None:
    """Page, data and problems alike: a strict content-security policy, no sniffing, no referrer."""
    client = Client(house_of(scene)[0])
    for path in ("/", "/static/page.js", "/api/v1/batteries", "/nothing"):
        headers = client.get(path).headers
        assert "default-src 'none'; script-src 'self'; style-src 'self'" in headers["content-security-policy"]
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"


def test_too_many_wrong_tokens_close_the_door_for_a_while() -> None:
    """After so many refused tokens in a minute the address gets 429 with Retry-After; another address is served."""
    app, _ = house_of(fleet(), WebSettings(open_on_loopback=False, failures_per_minute=3))
    guessing = Client(app, headers={"Authorization": "Bearer rv_000000000000_" + "A" * 43})
    assert [guessing.get("/api/v1/rounds").status_code for _ in range(5)] == [401, 401, 401, 429, 429]
    answer = guessing.get("/api/v1/rounds")
    assert 1 <= int(answer.headers["retry-after"]) <= 60
    assert Client(app, address="203.0.113.77", headers=bearer("read")).get("/api/v1/rounds").status_code == 200


def test_a_bucket_refills_evenly() -> None:
    """60 a minute: 60 at once, then one each second, whatever the clock did before."""
    bucket = Buckets(60)
    assert all(bucket.wait_s("a", 0) == 0 for _ in range(60))
    waits = [bucket.wait_s("a", ms) for ms in (0, 500, 900)]
    assert all(later < sooner for sooner, later in pairwise(waits))
    assert bucket.wait_s("a", 1000) == 0
    assert bucket.wait_s("a", 1000) > 0
    assert bucket.wait_s("a", 0) > 0


def test_a_large_body_is_refused_with_and_without_a_length(scene: Scene) -> None:
    """Both a stated and an unstated length beyond the limit give 413 before the body is held in memory."""
    app, _ = house_of(scene, WebSettings(open_on_loopback=False, body_limit_bytes=1000))
    client = Client(app, headers=bearer("ingest"))
    path = "/api/v1/batteries/heron/readings?format=lines"

    async def pieces():  # type: ignore[no-untyped-def]
        for _ in range(20):
            yield b"12.6\n" * 20

    assert client.post(path, content=b"1" * 1001).status_code == 413
    assert client.post(path, content=pieces()).status_code == 413
    assert client.post(path, content=b"1" * 1000).status_code == 200


def test_tokens_are_kept_hashed_in_a_file_of_their_owner(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """The file has mode 0600, holds no secret, is read again when it changes, and is refused when others can read it."""
    path = tmp_path / "tokens.json"
    text, record = issue("phone", "operate", None, NOW_MS)
    keeper, reader = Tokens(path), Tokens(path)
    assert reader.find(text, NOW_MS) is None
    keeper.add(record)
    assert path.stat().st_mode & 0o777 == 0o600
    assert text.rsplit("_", 1)[1] not in path.read_text()
    assert reader.find(text, NOW_MS) == record
    assert keeper.withdraw(record.id)
    assert reader.find(text, NOW_MS) is None
    path.chmod(0o644)
    with pytest.raises(ValueError, match="chmod 600"):
        Tokens(path).find(text, NOW_MS)


def test_the_hash_is_scrypt_as_its_standard_defines_it() -> None:
    """RFC 7914 section 12, third vector (N = 16384, r = 8, p = 1): the library and the cost that tokens use."""
    import hashlib

    from api.tokens import COST

    key = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=COST, r=8, p=1, maxmem=64 * 2**20, dklen=64)
    assert key.hex().startswith("7023bdcb3afd7348461c06cd81fd38eb")
    assert isinstance(issue("x", "read", None, 0)[1], Token)
