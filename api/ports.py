"""What the outbox, the web and the root call: History, Ledger, Channel. They are declared here, with their callers.

All times are UTC milliseconds. Methods are synchronous: whoever calls from an event loop uses a thread.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol

from analytics.assessment import AlertEvent, Assessment, Finding
from analytics.batch import Batch, DeadLetter
from analytics.battery import Battery
from analytics.reading import Note, Reading
from api.people import Person


class Columns(NamedTuple):
    """A stretch of history as columns of equal length, ready for orjson. A gap is a row of None, so no line is drawn over it."""

    time_ms: list[int]
    every_ms: int | None
    """Width of a point where several readings were joined; None: raw readings."""
    values: dict[str, list[float | None]]
    """voltage_v, current_a, temperature_c, state_of_charge_pct, …_low_pct, …_high_pct; joined points add …_min, …_max."""
    phases: list[str | None]


class History(Protocol):
    """The time series: what came in and what was believed then."""

    def read(self, battery_id: str, from_ms: int, to_ms: int, points: int) -> Columns:
        """At most `points` points of [from_ms, to_ms), joined by min, mean and max where there are more readings."""

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        """Raw readings, oldest first, exactly as folded."""

    def last_ms(self, battery_id: str) -> int | None: ...


AlertState = Literal["unacknowledged", "acknowledged", "returned unacknowledged", "normal"]
"""IEC 62682: active and acknowledged are two memories, which makes four states."""


@dataclass(frozen=True, slots=True)
class Alert:
    """An alert as the ledger knows it: what is true (began, ended) and what people did."""

    id: str
    battery_id: str
    rule: str
    priority: str
    state: AlertState
    began_ms: int
    ended_ms: int | None
    finding: Finding
    acknowledged_ms: int | None = None
    acknowledged_by: str | None = None
    shelved_until_ms: int | None = None
    shelved_by: str | None = None
    shelved_reason: str | None = None
    out_of_service: bool = False
    out_of_service_until_ms: int | None = None
    out_of_service_by: str | None = None
    out_of_service_reason: str | None = None

    def today(self, latest: Assessment | None) -> Finding:
        """Its finding in the figures of now while it holds; as it was announced where nothing newer is said.

        "In 3 days" is not true any more a week later.
        """
        said = () if latest is None or self.ended_ms is not None else latest.details.findings
        return next((finding for finding in said if finding.rule == self.rule), self.finding)


class AlertAct(NamedTuple):
    """One line in the history of an alert: began, worsened, ended, acknowledged, shelved, unshelved, pushed, reminded …"""

    at_ms: int
    kind: str
    who: str
    text: str


class Message(NamedTuple):
    """What a person gets. Title and text are the same words as on the page."""

    title: str
    text: str
    priority: str
    alert_id: str | None
    battery_id: str | None


class PushFailed(Exception):  # noqa: N818 - named for what happened, as in the design
    """The channel did not take it now; the outbox tries again."""


class PushRefused(Exception):  # noqa: N818
    """The channel will never take it (bad address, refused credentials); the outbox gives up and says so."""


class Subscription(NamedTuple):
    """A browser that wants to be told; its address and keys stay in its file."""

    id: str
    person: str
    fleet: str | None
    device: str
    made_ms: int


class Channel(Protocol):
    """One way to reach a person. Sends once, within its time-out, and never retries."""

    name: str

    def push(self, message: Message) -> None:
        """Raises PushFailed or PushRefused. Errors carry no secrets."""


class Reached(NamedTuple):
    """Who can be told at this moment, and the channels by name, `person/…`."""

    people: tuple[Person, ...]
    channels: Mapping[str, Channel]


class Reach(Protocol):
    """Who can be told, and how; browsers come and go while the service runs."""

    def now(self) -> Reached:
        """The same object as long as nothing changed."""

    def why_not(self) -> str | None:
        """Why no browser can subscribe here; None if it can."""

    def public_key(self) -> str:
        """The key that a browser subscribes with."""

    def may_be(self, name: str, fleet: str | None, *, anybody: bool) -> Sequence[str]:
        """As whom a caller may subscribe, the most likely first. `anybody`: also as any person of the settings."""

    def subscribe(self, person: str, fleet: str | None, device: str, endpoint: str, keys: dict[str, str], now_ms: int) -> Subscription:
        """Raises ValueError with what was expected."""

    def subscriptions(self) -> list[Subscription]: ...

    def unsubscribe(self, subscription_id: str) -> bool:
        """True if there was one."""


class Delivery(NamedTuple):
    """One message to one channel, waiting or done."""

    id: int
    channel: str
    message: Message
    tries: int
    due_ms: int
    state: Literal["waiting", "sent", "refused", "expired"]
    last_error: str | None
    kind: str = "began"
    """began, worsened, ended, repeat, reminder, escalation, digest, summary, gateway, gateway back, test"""
    made_ms: int = 0
    done_ms: int | None = None


class Ledger(Protocol):
    """Everything that is not the time series."""

    def commit(self, batch: Batch) -> None:
        """Keep the batch, history and all, in one transaction."""

    def batteries(self) -> list[Battery]: ...

    def battery(self, battery_id: str) -> Battery | None: ...

    def declare(self, battery: Battery, at_ms: int, who: str) -> None:
        """Keep a declaration; an older one stays in its history."""

    def declarations(self, battery_id: str) -> list[tuple[int, str, Battery]]: ...

    def latest(self, battery_id: str) -> Assessment | None:
        """The newest assessment with its details; where a reading made it, as exactly as history keeps it (the interval to 0.2 %, outwards)."""

    def latest_of(self, battery_ids: Sequence[str]) -> dict[str, Assessment]:
        """The newest assessment of each of these that has one, with one question for all."""

    def last_of(self, battery_ids: Sequence[str]) -> dict[str, Reading]:
        """The last reading of each of these that was ever heard, with one question for all."""

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None:
        """The newest checkpoint (its time and state), or the newest one before a time."""

    def alerts(
        self,
        battery_id: str | None = None,
        *,
        active: bool | None = None,
        rule: str | None = None,
        after_id: str | None = None,
        limit: int = 100,
        battery_ids: Sequence[str] | None = None,
    ) -> list[Alert]:
        """Newest first. `battery_ids`: only of these; `after_id`: those that follow this one in the list."""

    def alert(self, alert_id: str) -> Alert | None: ...

    def acts(self, alert_id: str) -> list[AlertAct]: ...

    def acknowledge(self, alert_id: str, at_ms: int, who: str) -> Alert:
        """This and the next four raise ValueError with a sentence where the act cannot be (api.acts)."""

    def shelve(self, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert: ...

    def unshelve(self, alert_id: str, at_ms: int, who: str) -> Alert: ...

    def take_out_of_service(self, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert: ...

    def return_to_service(self, alert_id: str, at_ms: int, who: str) -> Alert: ...

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]: ...

    def events_to_tell(self, limit: int = 100) -> list[tuple[int, AlertEvent, bool]]:
        """Events that the outbox has not turned into deliveries yet: a number, the event, and whether it is of a backlog."""

    def told(self, numbers: Sequence[int], deliveries: Sequence[tuple[str, Message, int]]) -> None:
        """In one transaction: these events are turned into these deliveries (channel, message, due)."""

    def due(self, now_ms: int, limit: int = 20) -> list[Delivery]: ...

    def tried(self, delivery_id: int, at_ms: int, state: str, due_ms: int, error: str | None) -> None: ...

    def delivered(
        self,
        *,
        about: Sequence[str] | None = None,
        within: Sequence[str] | None = None,
        person: str | None = None,
        state: str | None = None,
        after_id: int | None = None,
        limit: int = 100,
    ) -> list[Delivery]:
        """Newest first. `about`: that speak of one of these batteries; `within`: that speak of these and no others.

        `state`: one of a delivery's, or `failed`: refused, or not taken so far.
        """

    def dead_letters(self, limit: int = 100) -> list[DeadLetter]: ...
