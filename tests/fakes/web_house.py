"""The web app around a scene, as the root would put it together."""

from fastapi import FastAPI

from analytics.reading import Note
from api.health import Health, Measure, Part
from api.live import Live
from api.outbox import Outbox
from api.people import PushSettings
from api.push.reach import BROWSERS, Reach
from api.tokens import Role, Tokens, issue
from api.web.app import create_app
from api.web.house import Receipt
from api.web.settings import WebSettings
from tests.fakes.web_scene import NOW_MS, Scene

SECRETS: dict[str, str] = {}
"""Token texts by role, made once: scrypt is slow by intention."""
TOKENS = Tokens()
"""Shared by all apps, so that scrypt runs once for each token and process."""


def token_of(role: Role, fleet: str | None = "", name: str | None = None) -> str:
    """The text of a token of this role for this fleet (the scene's own is the empty one)."""
    key = f"{role}:{fleet}"
    if key not in SECRETS:
        SECRETS[key], record = issue(name or f"{role} of {fleet!r}", role, fleet, NOW_MS)
        TOKENS.add(record)
    return SECRETS[key]


def bearer(role: Role, fleet: str | None = "") -> dict[str, str]:
    return {"Authorization": f"Bearer {token_of(role, fleet)}"}


class Wired:
    """What the callables were given."""

    def __init__(self, scene: Scene, push: PushSettings | None = None) -> None:
        self.scene, self.redeclared = scene, list[tuple[str, int]]()
        self.live = Live()
        self.reach = Reach(push or PushSettings(allow_private_addresses=True), scene.folder() / BROWSERS)
        self.outbox = Outbox(scene.ledger, push or PushSettings(), self.reach.now, scene.now_ms, lambda: 1.0)
        self.health = Health(
            (Part("store", True, "Keeps 1.2 readings a second."), Part("mqtt", True, "Connected since 07:12.", needed=False))
        )

    def put_note(self, note: Note) -> None:
        self.scene.noted(note)

    async def put_readings(self, battery_id: str | None, format_name: str, payload: bytes) -> Receipt:
        """Lines `volts` for the format `lines`; anything else is unknown."""
        if format_name != "lines":
            raise ValueError(f"no format `{format_name[:60]}`; there is: lines")
        kept, rejected = 0, []
        for line in payload.splitlines():
            try:
                float(line)
                kept += 1
            except ValueError:
                rejected.append("not a number")
        return Receipt(kept, tuple(rejected))

    def declared(self, battery: object, since_ms: int) -> None:
        self.redeclared.append((battery.id, since_ms))  # type: ignore[attr-defined]

    def metrics(self) -> list[Measure]:
        return [Measure("restvolt_readings_kept", "counter", "", "Readings kept.", 42.0, (("source", "mqtt"),))]


def house_of(scene: Scene, settings: WebSettings | None = None, push: PushSettings | None = None) -> tuple[FastAPI, Wired]:
    """The app and what it was given."""
    for role in ("read", "operate", "ingest", "admin"):
        token_of(role)  # type: ignore[arg-type]
    wired = Wired(scene, push)
    app = create_app(
        history=scene.history, ledger=scene.ledger, settings=settings or WebSettings(open_on_loopback=False), now_ms=scene.now_ms,
        live=wired.live, tokens=TOKENS, health=lambda: wired.health, metrics=wired.metrics, put_readings=wired.put_readings,
        put_note=wired.put_note, declared=wired.declared, reach=wired.reach, try_push=wired.outbox.test, busy=(BlockingIOError,),
    )  # fmt: skip
    return app, wired
