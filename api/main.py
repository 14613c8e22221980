"""The composition root: one function that reads like a parts list. Nothing is decided here.

Threads: the event loop (sources, loop of ingest, web), one that commits, the outbox's own, and the web's pool for reading.
"""

import asyncio
import random
import threading
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager, AsyncExitStack
from functools import partial
from typing import TYPE_CHECKING, Any

import structlog

from analytics.batch import Batch
from analytics.battery import Battery
from analytics.reading import Note
from api import record, vitals
from api.clock import MachineClock
from api.database import Database, DatabaseBusy, DatabaseFull
from api.fencing import FencedLedger
from api.following import Declarations, follow
from api.health import Health
from api.heartbeat import Heartbeat
from api.history.influx_settings import InfluxSettings
from api.ledger import SqlLedger
from api.live import Live
from api.outbox import Outbox
from api.ports import History
from api.posted import NOTE, Letter, Posted, collect
from api.push.reach import BROWSERS, Reach
from api.relay import Relay
from api.repair import Mender, open_or_repair
from api.settings import Settings, SourceSettings
from api.tokens import Tokens
from api.upkeep import Upkeep, writes
from ingest.decoder import Rejected
from ingest.ending import exit_at_once
from ingest.file_source import FileSettings, FileSource
from ingest.formats import FORMATS
from ingest.inlet import Inlet, InletFull
from ingest.modbus_settings import ModbusSettings
from ingest.mqtt_source import MqttSettings, MqttSource
from ingest.pipeline import Pipeline
from ingest.serial_source import SerialSettings, SerialSource
from ingest.source import Source
from ingest.supervisor import Supervised

if TYPE_CHECKING:
    from api.history.forward import Forwarder
    from api.web.house import Receipt

LOG = structlog.get_logger("service")
BY_SETTINGS = "the settings file"


class Service:
    """All parts of one running service; `run` opens, serves until `stop` is set, and closes."""

    def __init__(self, settings: Settings, clock: MachineClock | None = None, heard: Callable[[Batch], None] | None = None) -> None:
        """`heard` is told of every batch that was kept (the demonstration prints from it)."""
        self.settings = settings
        self.clock = clock or MachineClock(settings.clock.believed_after_s)
        self.database = Database(settings.database_address)
        self.ledger = SqlLedger(self.database)
        self.live = Live()
        self.tokens = Tokens(settings.data / "tokens.json")
        self.inlet = Inlet(self.clock)
        self.sources = [
            Supervised(_source(s, settings, self.clock), self.clock, getattr(s, "quiet_after_s", 60.0)) for s in settings.source
        ]
        decoders = {name: partial(FORMATS[f.decoder].decoder, f.settings) for name, f in settings.format.items()}
        self._heard = heard
        self.shared = shared = settings.shared or any(s.kind == "amqp" for s in settings.source)
        self.fenced = fenced = FencedLedger(self.ledger, exit_at_once)
        self.posted = Posted(self.database)
        mend = Mender(self.database, LOG.error, self._mended)
        self.pipeline = Pipeline(fenced if shared else self.ledger, decoders, self.clock, settings.keep, self._told, mend)
        for supervised in self.sources:
            join_partitions(supervised.source, fenced, self.pipeline)
        self.reach = Reach(settings.push, settings.data / BROWSERS)
        self.outbox = Outbox(self.ledger, settings.push, self.reach.now, self.clock.wall_ms, random.random, LOG.warning)
        self.upkeep = Upkeep(self.database, settings.retention, self.clock.wall_ms, LOG.warning)
        self.heartbeat = None if settings.heartbeat is None else Heartbeat(settings.heartbeat, lambda: self.health().ready, LOG.warning)
        self.relay = None if settings.relay is None else Relay(settings.relay, self.ledger.history, self.ledger)
        self.history: History = self.ledger.history
        self.forwarder: Forwarder | None = None
        if settings.history is not None:
            self.history, self.forwarder = second_history(settings.history, self.ledger, self.clock.wall_ms)
        self._decoders = decoders
        self.address = ""

    async def run(self, stop: asyncio.Event, ready: Callable[[str], None] = lambda address: None) -> None:
        """Until `stop` is set. `ready` hears the address once the page answers."""
        self.settings.data.mkdir(parents=True, exist_ok=True)
        await asyncio.to_thread(self._open)
        loop = asyncio.get_running_loop()
        pipeline = asyncio.create_task(self.pipeline.run([self.inlet, *self.sources]), name="ingest")
        pipeline.add_done_callback(lambda _: loop.call_soon(stop.set))
        async with AsyncExitStack() as stack:
            stack.callback(self.database.close)
            for part in (self.outbox, self.upkeep, self.heartbeat, self.forwarder):
                if part is not None:
                    part.start()
                    stack.callback(part.stop)
            self._start_relay(stack)
            if self.shared:
                following = asyncio.create_task(follow(Declarations(self.database), self.pipeline.declared), name="declarations")
                stack.callback(following.cancel)
                collecting = asyncio.create_task(collect(self.posted, self.fenced.mine, self._fold), name="letters")
                stack.callback(collecting.cancel)
            stack.push_async_callback(self._end, pipeline)
            web = self.settings.web
            served, app = await asyncio.to_thread(self._web)
            self.address = await stack.enter_async_context(served(app, web.host, web.port, stop))
            stack.callback(self.live.close)
            ready(self.address)
            began_ms = self.clock.monotonic_ms()
            await stop.wait()
            LOG.info(vitals.written(writes(self.database), self.clock.monotonic_ms() - began_ms))

    def _start_relay(self, stack: AsyncExitStack) -> None:
        if self.relay is None:
            return
        over = threading.Event()
        thread = threading.Thread(target=self.relay.run, args=(over,), name="relay", daemon=True)
        thread.start()
        stack.callback(thread.join, 10.0)
        stack.callback(over.set)

    async def listening(self) -> None:
        """Returns once every source has been open."""
        await asyncio.gather(*(source.opened.wait() for source in self.sources))

    def _open(self) -> None:
        saved = open_or_repair(self.database)
        if saved is not None:
            LOG.error(saved.sentence())
        self._declare_all()

    def _mended(self) -> None:
        """Another file is in place: nothing of the old one is remembered, and what the settings declare is in it again."""
        self.ledger.forget()
        self._declare_all()

    def _declare_all(self) -> None:
        now_ms = self.clock.wall_ms()
        for battery in self.settings.batteries:
            if not self._declared_before(battery):
                self.ledger.declare(battery, now_ms, BY_SETTINGS)

    def _declared_before(self, battery: Battery) -> bool:
        """Whether the file said so already: what was changed through the API since then stands."""
        by_file = [declared for _, who, declared in self.ledger.declarations(battery.id) if who == BY_SETTINGS]
        return bool(by_file) and by_file[-1] == battery

    async def _end(self, pipeline: "asyncio.Task[None]") -> None:
        self.pipeline.stop()
        await pipeline

    def _told(self, batch: Batch) -> None:
        self.live.tell(batch.latest.values(), batch.events)
        if batch.events or batch.late_events:
            self.outbox.wake()
        if self._heard is not None:
            self._heard(batch)

    # --- what the web may ask for

    def health(self) -> Health:
        parts = [part.part() for part in (self.relay, self.forwarder) if part is not None]
        return vitals.health_of(self.pipeline.counters, self.sources, self.outbox.alive(), self.clock.trusted(), parts)

    def _web(self) -> "tuple[Callable[..., AbstractAsyncContextManager[str]], Any]":
        """How to serve and what. Importing it takes a second on a small board, and by then readings are already being kept."""
        from api.serving import served

        return served, self.app()

    def app(self) -> Any:
        from api.web.app import create_app

        return create_app(
            history=self.history,
            ledger=self.ledger,
            settings=self.settings.web,
            now_ms=self.clock.wall_ms,
            live=self.live,
            tokens=self.tokens,
            health=self.health,
            metrics=lambda: vitals.measures_of(self.pipeline.counters, self.sources, writes(self.database)),
            put_readings=self._put,
            put_note=self._note,
            declared=self._declare,
            reach=self.reach,
            try_push=self.outbox.test,
            busy=(InletFull, DatabaseFull, DatabaseBusy),
        )

    async def _put(self, battery_id: str | None, format_name: str, payload: bytes) -> "Receipt":
        from api.web.house import Receipt

        make = self._decoders.get(format_name)
        if make is None:
            expected = ", ".join(sorted(self._decoders)) or "(none is in the settings)"
            raise ValueError(f"no such format: expected one of {expected}")
        if battery_id is not None and await self._is_anothers(battery_id):
            now_ms = self.clock.wall_ms()
            results = make(battery_id).message(payload, now_ms)
            rejected = tuple(result.reason for result in results if isinstance(result, Rejected))
            if len(rejected) < len(results):
                await asyncio.to_thread(self.posted.leave, battery_id, format_name, payload, now_ms)
                return Receipt(len(results) - len(rejected), rejected)
        receipt = await self.inlet.put(battery_id, format_name, payload)
        return Receipt(receipt.kept + receipt.duplicates, tuple(receipt.rejected))

    async def _note(self, note: Note) -> None:
        if await self._is_anothers(note.battery_id):
            await asyncio.to_thread(self.posted.leave, note.battery_id, NOTE, record.dumps(note).encode(), self.clock.wall_ms())
        else:
            await self.inlet.note(note)

    async def _fold(self, letter: Letter) -> bool:
        try:
            if letter.format == NOTE:
                await self.inlet.note(record.loads(Note, letter.payload.decode()))
            else:
                await self.inlet.put(letter.battery_id, letter.format, letter.payload, received_ms=letter.received_ms)
        except InletFull:
            return False
        return True

    async def _is_anothers(self, battery_id: str) -> bool:
        """Whether a worker answers for this battery, and it is not this process."""
        return self.shared and not self.fenced.owns(battery_id) and await asyncio.to_thread(self.posted.has_worker, battery_id)

    async def _declare(self, battery: Battery, from_ms: int) -> None:
        self.pipeline.declared(battery.id, from_ms)


def _source(settings: SourceSettings, whole: Settings, clock: MachineClock) -> Source:
    """The adapter of a source's settings. Those of an extra are imported only where they are used."""
    if isinstance(settings, SerialSettings):
        return SerialSource(settings, clock)
    if isinstance(settings, MqttSettings):
        return MqttSource(settings, clock)
    if isinstance(settings, FileSettings):
        return FileSource(settings, clock)
    if isinstance(settings, ModbusSettings):
        from ingest.modbus_source import ModbusSource

        return ModbusSource(settings, whole.format[settings.format].settings, clock)
    from ingest.amqp_source import AmqpSource

    return AmqpSource(settings, clock)


def join_partitions(source: Source, store: FencedLedger, pipeline: Pipeline) -> None:
    """Whoever reads a partition answers for all its batteries, also for those that are silent."""
    partition_of = getattr(source, "partition_of", None)
    if partition_of is not None:
        store.partition_of = partition_of
        source.arrived = lambda queue: pipeline.adopt(lambda: store.of_partition(queue))  # type: ignore[attr-defined]


def second_history(settings: InfluxSettings, ledger: SqlLedger, now_ms: Callable[[], int]) -> "tuple[History, Forwarder]":
    """The history in InfluxDB, and what brings committed readings to it."""
    from api.history.forward import Forwarder, mark
    from api.history.influx import InfluxHistory

    history = InfluxHistory(settings, now_ms)
    ledger.mark_unsent = mark
    return history, Forwarder(ledger.database, history, now_ms, LOG.warning)
