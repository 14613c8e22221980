"""Keeps a source open: a lost one is opened again, with a capped back-off, for as long as the service runs. Says how each source is.

It drops nothing and queues nothing: where the loop is slow, the source waits.
"""

import asyncio
from collections.abc import AsyncGenerator, Sequence
from contextlib import aclosing
from dataclasses import dataclass

import structlog

from ingest.backoff import Backoff
from ingest.clock import Clock
from ingest.source import Delivery, Source, SourceLost

LOG = structlog.get_logger("ingest")
FIRST_S, LONGEST_S = 0.5, 30.0
"""Judgement: a cable is back within seconds, a broker within minutes; half a minute more does no harm."""


@dataclass(slots=True)
class SourceState:
    """How one source is, for health and for people. Times are UTC milliseconds."""

    name: str
    up: bool = False
    since_ms: int | None = None
    """Since when it is up or down; None before the first try."""
    tries: int = 0
    """Failed tries since it was last up."""
    losses: int = 0
    last_error: str = ""
    last_delivery_ms: int | None = None
    last_valid_ms: int | None = None
    """When it last brought something that was a reading."""
    ended: bool = False
    """It had an end and came to it (a recorded file)."""


class Supervised:
    """A source (see ingest.source.Source) that does not stay lost."""

    def __init__(self, source: Source, clock: Clock, quiet_after_s: float = 60.0, backoff: Backoff | None = None) -> None:
        """`quiet_after_s`: say so when a source that is up has brought no reading for this long."""
        self.source, self.name = source, source.name
        self.in_flight: int | None = getattr(source, "in_flight", None)
        self.state = SourceState(source.name)
        self._clock, self._backoff, self._quiet_after_s = clock, backoff or Backoff(FIRST_S, LONGEST_S), quiet_after_s
        self._heard_ms = clock.monotonic_ms()
        self._said_quiet = False
        self.opened = asyncio.Event()
        """Set when it was open for the first time."""

    async def __aenter__(self) -> "Supervised":
        return self

    async def __aexit__(self, *exc: object) -> None:
        return None

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        watching = asyncio.create_task(self._watch(), name=f"watch {self.name}")
        try:
            while True:
                try:
                    async with self.source:
                        self._came_up()
                        async with aclosing(self.source.deliveries()) as stream:
                            async for deliveries in stream:
                                self._backoff.reset()
                                self.state.last_delivery_ms = self._clock.wall_ms()
                                yield deliveries
                    self.state.ended = True
                    self._went_down("came to its end")
                    return
                except (SourceLost, OSError) as e:
                    self._went_down(str(e) or type(e).__name__)
                except Exception as e:  # a mistake in one source must not take the others with it
                    LOG.exception("a source failed in an unexpected way", source=self.name)
                    self._went_down(f"{type(e).__name__}: {e}")
                await asyncio.sleep(self._backoff.next_s())
        finally:
            watching.cancel()

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        self.source.acknowledge(deliveries)

    def heard(self) -> None:
        """The loop found a reading in what this source brought."""
        self._heard_ms = self._clock.monotonic_ms()
        self.state.last_valid_ms = self._clock.wall_ms()
        if self._said_quiet:
            self._said_quiet = False
            LOG.info("readings come again", source=self.name)

    def quiet_s(self) -> float | None:
        """For how long nothing that is a reading has come, where that is longer than it should be."""
        silent_s = (self._clock.monotonic_ms() - self._heard_ms) / 1000
        return silent_s if self.state.up and silent_s >= self._quiet_after_s else None

    def _came_up(self) -> None:
        self.state.up, self.state.since_ms, self.state.tries = True, self._clock.wall_ms(), 0
        self._heard_ms = self._clock.monotonic_ms()
        self.opened.set()
        LOG.info("source is open", source=self.name)

    def _went_down(self, why: str) -> None:
        state = self.state
        if state.up:
            state.losses += 1
        if state.up or state.since_ms is None:
            state.since_ms = self._clock.wall_ms()
        if state.up or state.last_error != why:
            LOG.warning("source is lost; it is tried again and again", source=self.name, why=why)
        state.up, state.tries, state.last_error = False, state.tries + 1, why

    async def _watch(self) -> None:
        while True:
            await asyncio.sleep(min(5.0, self._quiet_after_s))
            silent_s = self.quiet_s()
            if silent_s is not None and not self._said_quiet:
                self._said_quiet = True
                LOG.warning(f"the source is open, but no valid reading has come for {silent_s:.0f} seconds", source=self.name)
