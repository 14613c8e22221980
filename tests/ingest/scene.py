"""What the tests of the loop share: a source worked by hand, formats, stores, and a loop that runs while a test looks on."""

import asyncio
import json
from collections.abc import AsyncGenerator, AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import Any

from analytics import keep
from analytics.batch import Batch
from analytics.battery import Battery
from analytics.core import State, begin, step
from analytics.fold import fold
from analytics.reading import Note, Reading
from api.database import Database
from api.ledger import SqlLedger
from ingest.clock import Clock
from ingest.decoder import Decoder
from ingest.formats import FORMATS
from ingest.pipeline import Pipeline, PipelineSettings, Store
from ingest.source import Delivery
from tests.fakes.clock import HandClock
from tests.fakes.kept import MemoryStore

VAN = Battery("van7", "agm", 100.0)
HERON = Battery("heron", "gel", 80.0)


def decoder_of(name: str, **settings: Any) -> Callable[[str | None], Decoder]:
    made = FORMATS[name]
    return partial(made.decoder, made.settings.model_validate(settings))


DECODERS = {
    "lines": decoder_of("delimited", voltage=1, current=2, temperature=3),
    "json": decoder_of(
        "json", voltage="u", current="i", temperature="temp", time={"field": "t", "kind": "unix_ms"}, sequence="n", boot_id="boot",
        monotonic={"field": "up"}, battery="b",
    ),
    "rfc": decoder_of("json", voltage="u", time={"field": "at"}),
}  # fmt: skip


def stores(tmp_path: Path, kind: str, *batteries: Battery) -> Store:
    """A fresh store of a kind with these batteries declared."""
    if kind == "memory":
        return MemoryStore(*batteries)
    ledger = SqlLedger(Database(str(tmp_path / "house.db")).open())
    for battery in batteries:
        ledger.declare(battery, 0, "test")
    return ledger


class HandSource:
    """Gives what a test puts in, and remembers what was acknowledged."""

    def __init__(self, clock: Clock, name: str = "hand", in_flight: int | None = 1) -> None:
        self.name, self.in_flight = name, in_flight
        self._clock = clock
        self._queue: asyncio.Queue[Sequence[Delivery]] = asyncio.Queue()
        self.acknowledged: list[Delivery] = []

    async def __aenter__(self) -> "HandSource":
        return self

    async def __aexit__(self, *exc: object) -> None:
        return None

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        while True:
            yield await self._queue.get()

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        self.acknowledged += deliveries

    def send(self, payload: bytes, battery_id: str | None = "van7", format_name: str = "json", **more: Any) -> Delivery:
        """One delivery, as its own batch."""
        delivery = Delivery(self.name, battery_id, format_name, payload, self._clock.wall_ms(), self._clock.monotonic_ms(), **more)
        self._queue.put_nowait([delivery])
        return delivery

    def send_all(self, payloads: Sequence[bytes], battery_id: str | None = "van7", format_name: str = "json") -> None:
        """Many deliveries as one batch."""
        now, monotonic = self._clock.wall_ms(), self._clock.monotonic_ms()
        self._queue.put_nowait([Delivery(self.name, battery_id, format_name, p, now, monotonic) for p in payloads])

    def give(self, *inputs: Reading | Note) -> None:
        now, monotonic = self._clock.wall_ms(), self._clock.monotonic_ms()
        self._queue.put_nowait([Delivery(self.name, None, "note", b"", now, monotonic, given=inputs)])


def message(at_ms: int | None = None, volts: float = 12.6, amps: float | None = -1.0, **more: Any) -> bytes:
    """A reading as format `json` of DECODERS has it."""
    return json.dumps({"u": volts, "i": amps, "t": at_ms, **more}).encode()


@asynccontextmanager
async def running(
    store: Store, clock: Clock, *sources: Any, settings: PipelineSettings | None = None, told: Callable[[Batch], None] | None = None
) -> AsyncIterator[Pipeline]:
    """The loop runs inside and is stopped cleanly at the end."""
    pipeline = Pipeline(store, DECODERS, clock, settings, told)
    task = asyncio.create_task(pipeline.run(sources))
    try:
        yield pipeline
    finally:
        pipeline.stop()
        await asyncio.wait_for(task, 30)


async def until(condition: Callable[[], object], clock: HandClock | None = None, step_ms: int = 500) -> None:
    """Wait until something holds, letting a hand clock run; fails after ten seconds."""
    async with asyncio.timeout(10):
        while not condition():
            if clock is not None:
                clock.go(step_ms)
            await asyncio.sleep(0.005)


def state_of(store: Store, battery: Battery) -> State:
    """The state that a restart finds: the newest checkpoint and the history after it."""
    resumed = store.resume(battery.id)
    state, from_ms = (begin(battery), 0) if resumed is None else (keep.loads(battery, resumed[1]), resumed[0] + 1)
    return last(state, list(store.readings(battery.id, from_ms)))


def last(state: State, readings: Sequence[Reading]) -> State:
    """The state at the end of a fold."""
    steps = [state, *(after for after, _, _ in fold(state, readings))]
    return steps[-1]


def folded(battery: Battery, readings: Sequence[Reading], notes: Sequence[Note] = ()) -> State:
    """The in-order fold from the beginning; notes only where no silence makes ticks."""
    state = begin(battery)
    if not notes:
        return last(state, sorted(readings, key=lambda r: (r.at_ms, r.sequence)))
    for given in sorted([*readings, *notes], key=lambda g: (g.at_ms, isinstance(g, Note))):
        state, _ = step(state, given)
    return state


def same(a: State, b: State) -> bool:
    return keep.dumps(a) == keep.dumps(b)
