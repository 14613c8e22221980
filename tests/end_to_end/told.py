"""The demonstration's vehicles, told without waiting: the same simulators, bytes, decoders and loop; only the clock is moved by hand.

What a picture shows is thus what the product says of them, not what somebody wrote for it.
"""

import asyncio
import atexit
import shutil
import tempfile
import weakref
from collections.abc import AsyncGenerator, Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import cache, partial
from heapq import merge
from pathlib import Path

from analytics.batch import Batch
from api.database import Database
from api.demo import settings_of
from api.ledger import SqlLedger
from api.settings import Settings
from ingest.formats import FORMATS
from ingest.pipeline import Pipeline
from ingest.source import Delivery
from simulators import scenario
from simulators.scenario import Role
from simulators.stored import as_json, as_senml
from simulators.van import line
from tests.fakes.clock import HandClock

DAY_MS = 86_400_000
BEGINS_MS = 1_773_043_200_000
"""2026-03-09T08:00:00Z, a Monday."""

Said = tuple[int, str, str, bytes]
"""Time in ms, battery, format, bytes."""


def says(role: Role, days: float) -> Iterator[Said]:
    """All that one vehicle's sensor sends in its first days."""
    battery_id, vehicle = str(role.declared["id"]), role.vehicle
    for n in range(1, int(days * 86_400 / role.every_s) + 1):
        mean_a = vehicle.advance(role.every_s)
        sample = vehicle.sample(mean_a)
        if sample is None:
            continue
        at_s = BEGINS_MS / 1000 + n * role.every_s
        if role.speaks == "lines":
            payload = line(at_s, sample, vehicle.sequence)
        elif role.speaks == "senml":
            payload = as_senml(battery_id, at_s, sample)
        else:
            payload = as_json(at_s, sample, vehicle.sequence)
        yield round(at_s * 1000), battery_id, role.speaks, payload


class Tale:
    """A source that says everything in the order of its time."""

    name = "tale"
    in_flight = None

    def __init__(self, said: Iterator[Said]) -> None:
        self._said = said

    async def __aenter__(self) -> "Tale":
        return self

    async def __aexit__(self, *exc: object) -> None:
        pass

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        for at_ms, battery_id, speaks, payload in self._said:
            yield [Delivery(self.name, battery_id, speaks, payload, at_ms, at_ms - BEGINS_MS, whole=speaks != "lines")]

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """The simulators do not listen."""


class Told:
    """Ledger, history and clock at the end of the telling: what the page needs to stand on."""

    def __init__(self, path: Path, now_ms: int) -> None:
        self.now_ms: Callable[[], int] = lambda: now_ms
        self.database = Database(str(path), synchronous="NORMAL").open()
        self.ledger = SqlLedger(self.database)
        self.history = self.ledger.history
        self._folder = path.parent
        weakref.finalize(self, self.database.close)

    def folder(self) -> Path:
        """Where a service would keep its files."""
        return self._folder


def settings(roles: Sequence[Role], folder: Path) -> Settings:
    """What the demonstration would be set to for these vehicles; nothing of it listens here."""
    van, *stored = roles
    topics = {str(role.declared["id"]): {"topic": "unused", "speaks": role.speaks} for role in stored}
    serial = {"port": "/dev/null", "battery_id": van.declared["id"], "speaks": van.speaks}
    ready = {"serial": serial, "mqtt": {"host": "127.0.0.1", "port": 1883, "topics": topics}, "batteries": [r.declared for r in roles]}
    return settings_of(ready, folder, 0)


def _tell(path: Path, roles: Sequence[Role], days: float) -> int:
    """Fold the vehicles' first days into a database; the time at which they end."""
    clock, demo = HandClock(BEGINS_MS, 0), settings(roles, path.parent)
    told = Told(path, BEGINS_MS)
    for battery in demo.batteries:
        told.ledger.declare(battery, BEGINS_MS, "settings file")
    decoders = {name: partial(FORMATS[entry.decoder].decoder, entry.settings) for name, entry in demo.format.items()}
    heard = dict.fromkeys((battery.id for battery in demo.batteries), BEGINS_MS)

    def kept(batch: Batch) -> None:
        """The clock shows how far every vehicle was heard, as in the demonstration: however fast it is told, nobody is silent for that."""
        heard.update((battery_id, a.at_ms) for battery_id, a in batch.latest.items())
        clock.go(max(0, min(heard.values()) - clock.wall))

    pipeline = Pipeline(told.ledger, decoders, clock, demo.keep.model_copy(update={"commit_readings": 200}), kept)
    telling = pipeline.run([Tale(merge(*(says(role, days) for role in roles)))])
    with ThreadPoolExecutor(1) as thread:  # the caller's may have an event loop of its own
        thread.submit(asyncio.run, telling).result()
    told.database.close()
    return clock.wall


@cache
def _written(which: str, days: float) -> tuple[Path, int]:
    folder = Path(tempfile.mkdtemp(prefix="told-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    roles = [scenario.van()] if which == "van" else [scenario.van(), *scenario.stored()]
    path = folder / f"{which}.db"
    return path, _tell(path, roles, days)


def fleet() -> Told:
    """All four vehicles on the morning of the tenth day."""
    return Told(*_written("fleet", 9.0))


def van() -> Told:
    """The van alone, on tour."""
    return Told(*_written("van", 9.4))
