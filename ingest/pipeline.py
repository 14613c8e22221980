"""The loop: deliveries → decode → date → fold → commit → acknowledge. Nothing is acknowledged before it is on disk.

One task takes what the sources give and one thread talks to the store, one after the other, so nothing here needs a lock.
It refuses to know how bytes come (sources), what they mean (decoders, analytics) and how they are kept (the store).
"""

import asyncio
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import aclosing
from typing import Any, Protocol, TypeVar

import structlog
from pydantic import BaseModel, ConfigDict, Field

from analytics.batch import Batch, Quarantined
from analytics.battery import Battery
from analytics.reading import Reading
from ingest.backoff import Backoff
from ingest.clock import Clock
from ingest.counters import Counters
from ingest.folding import CHECKPOINT_READINGS, Folding
from ingest.intake import Decoders, Intake
from ingest.lives import Kept
from ingest.source import Delivery, Source

LOG = structlog.get_logger("ingest")

MOST_WAITING = 64
"""Batches of deliveries that may wait; when they do, sources wait too."""
LOOK_EVERY_S = 1.0
"""How often quarantine and silences are looked at."""
REFOLD_AFTER_MS = 5_000
"""Judgement: late readings come in company; they are folded together."""
LAST_TRIES = 3
ADOPTED_AT_ONCE = 50

T = TypeVar("T")


class Store(Kept, Protocol):
    """What the loop commits to, and reads back at a start. Called from one thread only. Ledger and history fulfil it together."""

    def commit(self, batch: Batch) -> None:
        """All or nothing; keeping it again changes nothing. Raises if it could not be kept: then it is tried again."""

    def batteries(self) -> list[Battery]: ...

    def quarantined(self) -> list[Quarantined]: ...


class PipelineSettings(BaseModel):
    """How the loop batches."""

    model_config = ConfigDict(extra="forbid")

    commit_every_s: float = Field(default=1.0, ge=0.05, le=60.0)
    """On a memory card, longer saves wear; what is not committed is not acknowledged either, so nothing is lost but time."""
    commit_readings: int = Field(default=2000, ge=1, le=100_000)
    checkpoint_readings: int = Field(default=CHECKPOINT_READINGS, ge=1, le=100_000)
    """After so many readings of a battery its state is kept. Fewer make a worker quicker to take over, and commits larger."""
    ahead_s: float = Field(default=120.0, ge=1, le=86_400)
    """How far ahead of our clock a reading's own time may be; beyond it, it is set apart until its time has come."""


class Stopped(Exception):  # noqa: N818 - named for what happened
    """The service stops and the store did not take the last batch: nothing of it was acknowledged."""


class Pipeline:
    """One loop over any number of sources; `run` it once."""

    def __init__(
        self,
        store: Store,
        decoders: Decoders,
        clock: Clock,
        settings: PipelineSettings | None = None,
        told: Callable[[Batch], None] | None = None,
        mend: Callable[[Exception], None] | None = None,
    ) -> None:
        """`told` hears every batch once it is kept; `mend` hears what the store raised, in the store's thread, before the next try. What
        `mend` raises ends the loop: trying again would make no sense."""
        self.counters = Counters()
        self._store, self._clock, self._told, self._mend = store, clock, told, mend
        self._settings = settings or PipelineSettings()
        self._folding = Folding(store, self._settings.checkpoint_readings)
        self._intake = Intake(self._folding, decoders, clock, self.counters, round(self._settings.ahead_s * 1000))
        self._inbox: deque[tuple[Source, Sequence[Delivery]]] = deque()
        self._arrived, self._room = asyncio.Event(), asyncio.Event()
        self._unacknowledged: list[tuple[Source, Sequence[Delivery]]] = []
        self._in_flight: dict[Source, int] = {}
        """How many deliveries of each source are unacknowledged."""
        self._began_ms: int | None = None
        """When the oldest of the batch came, monotonic."""
        self._refold_ms: int | None = None
        """When late readings are to be folded, monotonic."""
        self._changed: dict[str, int | None] = {}
        """Batteries declared anew, and from when that holds where it lies in the past."""
        self._adopting: list[Callable[[], Sequence[str]]] = []
        self._stopping = False
        self._writer = ThreadPoolExecutor(1, thread_name_prefix="commit")
        self._backoff = Backoff(0.1, 30.0)

    # --- life

    async def run(self, sources: Sequence[Source]) -> None:
        """Take from the sources until `stop` is called or all have ended; then commit what came, with checkpoints.

        Raises Stopped if the store would not take the last batch.
        """
        try:
            await self._surely(self._begin)
            pumps = [asyncio.create_task(self._pump(source), name=f"pump {source.name}") for source in sources]
            for pump in pumps:
                pump.add_done_callback(lambda _: self._arrived.set())
            try:
                await self._loop(pumps)
                await self._empty()
            finally:
                self._stopping = True
                for pump in pumps:
                    pump.cancel()
                await asyncio.gather(*pumps, return_exceptions=True)
            await self._finish()
        finally:
            self._writer.shutdown(wait=True)

    def stop(self) -> None:
        """Let `run` end cleanly. Call it in the loop's thread."""
        self._stopping = True
        self._arrived.set()
        self._room.set()

    def declared(self, battery_id: str, from_ms: int | None = None) -> None:
        """A battery was declared or declared anew: it is read again, and what came since `from_ms` is judged anew. Call it in the loop's thread."""
        self._intake.declared(battery_id)
        if battery_id in self._folding.lives:
            self._changed[battery_id] = from_ms
            self._folding.due.add(battery_id)
            self._began_ms = self._began_ms or self._clock.monotonic_ms()

    def adopt(self, find: Callable[[], Sequence[str]]) -> None:
        """Batteries that are this loop's from now on, whether they speak or not: their silence is judged here.

        `find` reads the store and is called in its thread. Call this in the loop's thread.
        """
        self._adopting.append(find)
        self._arrived.set()

    async def _adopt(self) -> None:
        """A part at a time, so that readings need not wait for batteries that have none."""
        find = self._adopting.pop(0)
        battery_ids = [i for i in await self._surely(find) if i not in self._folding.lives]
        part, rest = battery_ids[:ADOPTED_AT_ONCE], battery_ids[ADOPTED_AT_ONCE:]
        await self._surely(self._intake.load, part)
        apart = [q for q in await self._surely(self._store.quarantined) if q.reading.battery_id in part]
        self._intake.dating.revive([*self._intake.dating.apart, *apart], self._clock.monotonic_ms())
        if rest:
            self._adopting.append(lambda: rest)

    def _begin(self) -> None:
        self._intake.dating.revive(self._store.quarantined(), self._clock.monotonic_ms())
        self._intake.load([battery.id for battery in self._store.batteries()])

    async def _pump(self, source: Source) -> None:
        async with aclosing(source.deliveries()) as stream:
            async for deliveries in stream:
                while len(self._inbox) >= MOST_WAITING and not self._stopping:
                    self._room.clear()
                    await self._room.wait()
                self._inbox.append((source, deliveries))
                self._arrived.set()

    async def _loop(self, pumps: "list[asyncio.Task[None]]") -> None:
        looked_ms = self._clock.monotonic_ms()
        while not self._stopping:
            if not self._inbox:
                for pump in pumps:
                    if pump.done():
                        pump.result()
                if pumps and all(pump.done() for pump in pumps):
                    return
                await self._wait()
            while self._inbox and not self._commit_due():
                await self._take(*self._inbox.popleft())
                self._room.set()
            if self._clock.monotonic_ms() - looked_ms >= LOOK_EVERY_S * 1000:
                looked_ms = self._clock.monotonic_ms()
                self._intake.look()
                self._note_time()
            if self._commit_due():
                await self.commit()
            if self._adopting:
                await self._adopt()

    async def _wait(self) -> None:
        """Until something comes or something is to be done."""
        patience_s = LOOK_EVERY_S
        if self._began_ms is not None:
            due_ms = self._began_ms + self._settings.commit_every_s * 1000
            patience_s = min(patience_s, (due_ms - self._clock.monotonic_ms()) / 1000)
        self._arrived.clear()
        if self._inbox or self._adopting or self._stopping or patience_s <= 0:
            return
        try:
            async with asyncio.timeout(patience_s):
                await self._arrived.wait()
        except TimeoutError:
            pass

    async def _empty(self) -> None:
        """Keep and acknowledge what came, while the sources can still hear it."""
        while self._inbox:
            await self._take(*self._inbox.popleft())
        await self.commit()

    async def _finish(self) -> None:
        """The sources are closed: messages that came last stay unacknowledged and will come again; pieces of a stream will not."""
        for source, deliveries in self._inbox:
            pieces = [delivery for delivery in deliveries if not delivery.whole]
            if pieces:
                await self._take(source, pieces)
        self._inbox.clear()
        await self.commit()
        await self._refold()
        self._folding.all_due()
        await self.commit()

    # --- in

    async def _take(self, source: Source, deliveries: Sequence[Delivery]) -> None:
        intake = self._intake
        decoded = [(delivery, intake.decode(delivery)) for delivery in deliveries]
        strangers = intake.strangers(decoded)
        if strangers:
            await self._surely(intake.load, strangers)
        for note, delivery in intake.take(decoded):
            await self._surely(intake.note, note, delivery)
        if any(type(result) is Reading for _, results in decoded for result in results):
            heard = getattr(source, "heard", None)
            if heard is not None:
                heard()
        self._unacknowledged.append((source, deliveries))
        self._in_flight[source] = self._in_flight.get(source, 0) + len(deliveries)
        self._note_time()

    def _note_time(self) -> None:
        if self._began_ms is None and (self._unacknowledged or self._intake.late or not self._intake.batch.empty()):
            self._began_ms = self._clock.monotonic_ms()

    # --- out

    def _commit_due(self) -> bool:
        """Time is up, the batch is full, or a source gives no more before it hears from us."""
        if self._began_ms is None:
            return self._refold_ms is not None and self._clock.monotonic_ms() >= self._refold_ms
        batch = self._intake.batch
        if len(batch.kept) + len(batch.dead_letters) + len(self._intake.late) >= self._settings.commit_readings:
            return True
        if self._clock.monotonic_ms() - self._began_ms >= self._settings.commit_every_s * 1000:
            return True
        return not self._inbox and any(source_waits(source, count) for source, count in self._in_flight.items())

    async def commit(self) -> None:
        """Keep the batch, then acknowledge; on failure nothing is acknowledged and it is tried again until it is kept.

        While the service stops it is given up after a few tries (Stopped): the senders will send it again.
        """
        intake = self._intake
        await self._surely(intake.sort_late)
        batch, intake.batch = intake.batch, Batch()
        unacknowledged, self._unacknowledged, self._in_flight = self._unacknowledged, [], {}
        self._began_ms = None
        batch.checkpoints.extend(self._folding.checkpoints())
        if not batch.empty():
            began_ms = self._clock.monotonic_ms()
            await self._surely(self._store.commit, batch)
            self._count(batch, self._clock.monotonic_ms() - began_ms)
        for source, deliveries in unacknowledged:
            source.acknowledge(deliveries)
        self.counters.deliveries_acknowledged += sum(len(deliveries) for _, deliveries in unacknowledged)
        if self._changed:
            changed, self._changed = self._changed, {}
            await self._surely(intake.load, sorted(changed))
            for battery_id, from_ms in changed.items():
                if from_ms is not None:
                    await self._surely(self._folding.judge_anew, battery_id, from_ms, intake.batch)
        if self._refold_ms is None and self._folding.refold_due():
            self._refold_ms = self._clock.monotonic_ms() + REFOLD_AFTER_MS
        if self._refold_ms is not None and self._clock.monotonic_ms() >= self._refold_ms:
            await self._refold()

    async def _refold(self) -> None:
        """Fold late readings at their own time; nothing else is folded meanwhile."""
        self._refold_ms = None
        for battery_id in self._folding.late():
            for batch in await self._surely(self._refold_one, battery_id):
                self._count(batch, None)

    def _refold_one(self, battery_id: str) -> list[Batch]:
        """In the store's thread. Begun anew if it fails: what it commits twice is the same."""
        told = []
        for batch in self._folding.refold(battery_id):
            self._store.commit(batch)
            self.counters.refolded += len(batch.refolded)
            batch.refolded.clear()
            told.append(batch)
        self.counters.refolds += 1
        return told

    def _count(self, batch: Batch, took_ms: int | None) -> None:
        counters = self.counters
        counters.kept += len(batch.kept)
        counters.events += len(batch.events) + len(batch.late_events)
        counters.commits += 1
        if took_ms is not None:
            counters.last_commit_ms = took_ms
        counters.last_committed_at_ms = self._clock.wall_ms()
        if self._told is not None:
            self._told(batch)

    async def _surely(self, call: Callable[..., T], *args: Any) -> T:
        """Call in the store's thread, again and again until it succeeds: a full disk or a locked file passes, a lost reading does not."""
        loop = asyncio.get_running_loop()
        tries = 0
        while True:
            try:
                result = await loop.run_in_executor(self._writer, call, *args)
            except Exception as e:
                tries += 1
                self._failed(e)
                if self._mend is not None:
                    await loop.run_in_executor(self._writer, self._mend, e)
                if self._stopping and tries >= LAST_TRIES:
                    raise Stopped(f"the store did not take the last batch: {e}") from e
                await asyncio.sleep(self._backoff.next_s() if not self._stopping else 0.1)
                continue
            if self._backoff.failures:
                self._backoff.reset()
                self.counters.last_failure, self.counters.failing_since_ms = "", None
                LOG.info("the store takes readings again")
            return result

    def _failed(self, e: Exception) -> None:
        counters = self.counters
        counters.commit_failures += 1
        counters.last_failure = f"{type(e).__name__}: {e}"[:500]
        if counters.failing_since_ms is None:
            counters.failing_since_ms = self._clock.wall_ms()
        LOG.error("the store takes nothing; readings wait and will be kept once it does", error=counters.last_failure)


def source_waits(source: Source, unacknowledged: int) -> bool:
    """Whether this source has as many deliveries in flight as it may have, so that it gives no more before it is answered."""
    window: int | None = getattr(source, "in_flight", None)
    return window is not None and unacknowledged >= window
