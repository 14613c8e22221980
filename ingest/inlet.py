"""What comes from inside the process: readings that were posted and notes that a person made, on the same way as everything else.

Awaiting `put` returns once it is on disk. Nothing is kept here: what was not committed when the process ends was never answered.
"""

import asyncio
from collections.abc import AsyncGenerator, Sequence

from analytics.reading import Note
from ingest.clock import Clock
from ingest.source import Delivery, Receipt
from ingest.waiting import Waiting

MOST_WAITING = 10_000
"""Deliveries. Beyond it `put` says no, so that a flood of requests cannot fill the memory."""


class InletFull(Exception):  # noqa: N818 - named for what happened
    """Too much waits to be kept; try again later."""


class Inlet:
    """A Source that the API puts into. Belongs to one event loop."""

    name = "inlet"
    in_flight: int | None = 1
    """Somebody waits for each answer, so it is committed as soon as nothing else is to be taken."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._waiting = Waiting()
        self._answers: dict[int, asyncio.Future[None]] = {}

    async def __aenter__(self) -> "Inlet":
        return self

    async def __aexit__(self, *exc: object) -> None:
        return None

    async def put(
        self, battery_id: str | None, format_name: str, payload: bytes, who: str = "posted", received_ms: int | None = None
    ) -> Receipt:
        """Bytes in one of the settings' formats, received now or then. Returns what became of them, once that is on disk. Raises InletFull."""
        now_ms, monotonic_ms = self._clock.wall_ms(), self._clock.monotonic_ms()
        ago_ms = 0 if received_ms is None else max(0, now_ms - received_ms)
        return await self._put(Delivery(f"inlet:{who}", battery_id, format_name, payload, now_ms - ago_ms, monotonic_ms - ago_ms))

    async def note(self, note: Note) -> Receipt:
        """Something a person did or said. Returns once it is on disk. Raises InletFull."""
        now_ms, monotonic_ms = self._clock.wall_ms(), self._clock.monotonic_ms()
        return await self._put(Delivery(f"inlet:{note.who or 'note'}", note.battery_id, "note", b"", now_ms, monotonic_ms, given=(note,)))

    async def _put(self, delivery: Delivery) -> Receipt:
        if len(self._answers) >= MOST_WAITING:
            raise InletFull("too many readings wait to be kept; try again in a minute")
        receipt = Receipt()
        answer = asyncio.get_running_loop().create_future()
        self._answers[id(receipt)] = answer
        self._waiting.put(delivery._replace(token=receipt))
        try:
            await answer
        finally:
            self._answers.pop(id(receipt), None)
        return receipt

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        while True:
            yield await self._waiting.taken()

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        for delivery in deliveries:
            answer = self._answers.get(id(delivery.token))
            if answer is not None and not answer.done():
                answer.set_result(None)
