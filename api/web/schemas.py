"""The schemas that the OpenAPI document shows: of what travels out (held to them by tests), and of what comes in (checked strictly).

Answers are not built from these classes: see api.web.wire.
"""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

Time = Annotated[str, Field(json_schema_extra={"format": "date-time"}, description="RFC 3339, UTC")]
OneLine = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=500)]


class Out(BaseModel):
    model_config = ConfigDict(extra="allow")


class In(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class AnchorOut(Out):
    kind: str
    time: Time
    before_pct: float | None
    after_pct: float
    surprise: float


class ForecastOut(Out):
    limit_pct: float
    earliest: Time | None
    latest: Time | None
    basis: str


class LoadOut(Out):
    current_a: float
    low_a: float
    high_a: float
    since: Time
    basis: str


class DueOut(Out):
    what: str
    text: str = Field(description="what and by when, in words")
    due: Time
    reason: str


class LearnedOut(Out):
    name: str
    value: float
    low: float
    high: float


class FindingOut(Out):
    rule: str
    priority: str
    title: str
    seen: str
    meaning: str
    advice: str
    caution: str
    evidence: dict[str, float | int | str | None]
    source: str


class Words(Out):
    charge: str
    why: str | None
    left: str | None
    load: str | None
    doing: str | None
    silence: str | None


class State(Out):
    """What is believed now; every interval is a 90 % interval."""

    battery_id: str
    now: Time = Field(description="The clock of the service, cut to the minute.")
    time: Time | None
    heard: Time | None
    words: Words
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    state_of_charge_pct: float | None
    state_of_charge_low_pct: float | None
    state_of_charge_high_pct: float | None
    charge_phase: str
    anchor: AnchorOut | None
    mode: str | None
    forecast: ForecastOut | None
    standing_load: LoadOut | None
    dues: list[DueOut]
    learned: list[LearnedOut]
    findings: list[FindingOut]
    exposure: dict[str, float | int | str | None]
    session: dict[str, float | int | str | None]
    ageing: dict[str, float | int | str | None]
    sentences: list[str]


class BatteryOut(Out):
    id: str
    chemistry: str
    rated_capacity_ah: float
    rated_hours: float
    cells: int
    vehicle: str
    site: str
    owner: str
    fleet: str
    next_hire: str | None
    limit_pct: float
    chemistry_title: str


class BatteryRow(Out):
    battery: BatteryOut
    state: State
    active_alerts: int


class BatteryList(Out):
    batteries: list[BatteryRow]
    next: str | None = Field(description="Address of the next page; null at the end.")


class Declaration(Out):
    since: Time
    who: str
    battery: BatteryOut


class DeclarationList(Out):
    declarations: list[Declaration]


class HistoryOut(Out):
    """Columns of equal length. A gap is a row of nulls: draw no line over it."""

    time_ms: list[int]
    every_ms: int | None = Field(description="Width of a joined point; null: raw readings.")
    charge_phase: list[str | None]


class AlertOut(Out):
    id: str
    battery_id: str
    rule: str
    priority: str
    state: Literal["unacknowledged", "acknowledged", "returned unacknowledged", "normal"]
    began: Time
    ended: Time | None
    finding: FindingOut
    acknowledged: Time | None
    acknowledged_by: str | None
    shelved_until: Time | None
    shelved_by: str | None
    shelved_reason: str | None
    out_of_service: bool
    out_of_service_until: Time | None
    out_of_service_by: str | None
    out_of_service_reason: str | None


class AlertList(Out):
    alerts: list[AlertOut]
    next: str | None


class ActOut(Out):
    time: Time
    kind: str
    who: str
    text: str


class AlertWithActs(Out):
    alert: AlertOut
    acts: list[ActOut]


class NoteOut(Out):
    time: Time
    kind: str
    value: float | str | None
    who: str


class NoteList(Out):
    notes: list[NoteOut]


class DeliveryOut(Out):
    id: int
    channel: str
    title: str
    text: str
    priority: str
    alert_id: str | None
    battery_id: str | None
    person: str
    kind: str = Field(description="began, worsened, ended, repeat, reminder, escalation, digest, summary, gateway, gateway back or test")
    made: Time
    done: Time | None = Field(description="when it was sent or given up")
    next_try: Time | None = Field(description="while it waits")
    tries: int
    state: Literal["waiting", "sent", "refused", "expired"]
    last_error: str | None


class DeliveryList(Out):
    deliveries: list[DeliveryOut]


class DeliveryPage(DeliveryList):
    next: str | None = Field(description="Address of the next page; null at the end.")


class ToldOut(Out):
    name: str
    ways: int = Field(description="In how many ways this person is told.")
    priority: str = Field(description="The least that this person is told of.")
    sites: list[str] = Field(description="Only of these sites; empty: of all.")


class SubscriptionOut(Out):
    id: str
    person: str
    device: str
    made: Time


class PushOut(Out):
    public_key: str | None = Field(description="base64url of the service's key, for PushManager.subscribe")
    why_not: str | None
    may_be: list[str] = Field(description="As whom you may subscribe a browser, the most likely first.")
    people: list[ToldOut]
    subscriptions: list[SubscriptionOut]


class ReceiptOut(Out):
    kept: int
    rejected: list[str]


class Me(Out):
    name: str
    role: str
    fleet: str | None
    may: list[str]
    temperature_unit: Literal["C", "F"] = Field(description="How this person wants to read temperatures; the API itself says °C.")


class ShelveIn(In):
    """To be quiet about an alert: until when, and a reason that others can read."""

    until: Annotated[
        str,
        Field(json_schema_extra={"format": "date-time"}, description="RFC 3339 with its zone; at most 90 days ahead, out of service 400."),
    ]
    reason: OneLine


class NoteIn(In):
    """Something a person did or measured."""

    kind: Literal["check", "mode", "charged", "replaced", "forget", "coldest"]
    value: float | str | None = Field(
        default=None, description="check: volts; mode: stored, in use or by data; coldest: °C; forget: a name or all"
    )
    time: str | None = Field(default=None, json_schema_extra={"format": "date-time"}, description="RFC 3339 with an offset; default now.")


class BrowserKeys(In):
    p256dh: Annotated[str, StringConstraints(min_length=1, max_length=200)]
    auth: Annotated[str, StringConstraints(min_length=1, max_length=100)]


class SubscribeIn(In):
    """A subscription as a browser gives it (Push API), as whom, and what the device is called."""

    endpoint: Annotated[str, StringConstraints(min_length=1, max_length=2000)]
    keys: BrowserKeys
    expirationTime: float | None = None  # noqa: N815 - the browser's own name
    person: Annotated[str, StringConstraints(min_length=1, max_length=100)] | None = None
    device: Annotated[str, StringConstraints(strip_whitespace=True, max_length=80)] = "a browser"


class TryIn(In):
    person: Annotated[str, StringConstraints(min_length=1, max_length=100)]


class SignIn(In):
    token: Annotated[str, StringConstraints(min_length=1, max_length=200)]
