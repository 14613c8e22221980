"""What the routes may reach: the ports and callables that the root hands in. Nothing is opened here."""

from collections.abc import Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from typing import Annotated, Any, NamedTuple

from fastapi import Depends, Request

from analytics.assessment import Assessment
from analytics.battery import Battery
from analytics.reading import Note
from api.health import Health, Measure
from api.live import Live
from api.ports import Delivery, History, Ledger, Reach
from api.tokens import Tokens
from api.web.settings import WebSettings


class Receipt(NamedTuple):
    """What became of readings sent over HTTP. They are on disk when this is returned."""

    kept: int
    rejected: tuple[str, ...] = ()
    """One reason each, in the order in which they came."""


PutReadings = Callable[[str | None, str, bytes], "Awaitable[Receipt] | Receipt"]
"""(battery id or None: the payload tells, name of the format, bytes). Raises ValueError for an unknown format or battery."""
PutNote = Callable[[Note], "Awaitable[Any] | Any"]
"""Folds and commits what a person did or said."""
Declared = Callable[[Battery, int], "Awaitable[Any] | Any"]
"""A declaration was kept: fold again from this time (UTC ms)."""


@dataclass(frozen=True, slots=True)
class House:
    """Everything that a route may use."""

    history: History
    ledger: Ledger
    settings: WebSettings
    tokens: Tokens
    live: Live
    now_ms: Callable[[], int]
    put_readings: PutReadings | None
    put_note: PutNote | None
    declared: Declared | None
    reach: Reach | None
    try_push: Callable[[str, str], list[Delivery]] | None
    """(person, who asks): a test message in every way they have."""
    health: Callable[[], Health]
    metrics: Callable[[], Iterable[Measure]]
    encoded: dict[str, tuple[Assessment, bytes]] = field(default_factory=dict)
    """The newest state of each battery as the live stream sends it; at most one for each battery."""


def _house(request: Request) -> House:
    house: House = request.app.state.house
    return house


HouseDep = Annotated[House, Depends(_house)]
