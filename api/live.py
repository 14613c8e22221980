"""Live changes for those who watch: the commit tells, every watcher hears the newest, a slow watcher slows nobody.

A watcher that falls behind hears only the newest state of each battery, so its memory is bounded by the number of
batteries and nothing queues up. Nothing is kept here: whoever was away asks the API for the state.
"""

import asyncio
import threading
from collections.abc import AsyncIterator, Iterable

from analytics.assessment import AlertEvent, Assessment

MOST_EVENTS = 200
"""Judgement: alert events that one watcher may have waiting; beyond it the oldest is dropped, since the page asks anew anyway."""


class Watcher:
    """What one watcher has not heard yet."""

    def __init__(self, loop: asyncio.AbstractEventLoop) -> None:
        self.loop = loop
        self.woken = asyncio.Event()
        self.states: dict[str, Assessment] = {}
        self.events: list[AlertEvent] = []


class Live:
    """A small publisher. `tell` may be called from any thread; `watch` belongs to an event loop."""

    def __init__(self) -> None:
        self._watchers: set[Watcher] = set()
        self._lock = threading.Lock()
        self._latest: dict[str, Assessment] = {}
        self._measured: dict[str, Assessment] = {}
        self._closed = False

    def tell(self, latest: Iterable[Assessment], events: Iterable[AlertEvent] = ()) -> None:
        """Tell every watcher; called after a commit with what it kept. Never blocks and never raises for a watcher's sake."""
        states, events = list(latest), list(events)
        with self._lock:
            self._latest.update((a.battery_id, a) for a in states)
            self._measured.update((a.battery_id, a) for a in states if a.voltage_v is not None)
            for watcher in self._watchers:
                watcher.states.update((a.battery_id, a) for a in states)
                watcher.events = [*watcher.events, *events][-MOST_EVENTS:]
            self._wake()

    def latest(self, battery_id: str) -> Assessment | None:
        """The newest assessment told since the start, which spares the ledger a read."""
        return self._latest.get(battery_id)

    def measured(self, battery_id: str) -> Assessment | None:
        """The newest one that a reading made, not time alone."""
        return self._measured.get(battery_id)

    def watchers(self) -> int:
        return len(self._watchers)

    def close(self) -> None:
        """End every stream, so that the server can stop."""
        with self._lock:
            self._closed = True
            self._wake()

    def _wake(self) -> None:
        for watcher in self._watchers:
            if not watcher.loop.is_closed():
                watcher.loop.call_soon_threadsafe(watcher.woken.set)

    async def watch(self, every_s: float, idle_s: float) -> AsyncIterator[tuple[list[Assessment], list[AlertEvent]]]:
        """What changed, at most once in `every_s`; a pair of empty lists after `idle_s` without a change."""
        watcher = Watcher(asyncio.get_running_loop())
        with self._lock:
            self._watchers.add(watcher)
        try:
            while not self._closed:
                try:
                    await asyncio.wait_for(watcher.woken.wait(), idle_s)
                except TimeoutError:
                    yield [], []
                    continue
                with self._lock:
                    watcher.woken.clear()
                    states, watcher.states = list(watcher.states.values()), {}
                    events, watcher.events = watcher.events, []
                if states or events:
                    yield states, events
                    await asyncio.sleep(every_s)
        finally:
            with self._lock:
                self._watchers.discard(watcher)
