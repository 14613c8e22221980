"""Deliveries that wait for the loop to take them, and why no more will come: for sources that callbacks of the event loop fill.

It bounds nothing: the source knows what it counts, and holds its sender back.
"""

import asyncio

from ingest.source import Delivery, SourceLost


class Waiting:
    """Belongs to one event loop, and to one opening of its source."""

    __slots__ = ("_arrived", "deliveries", "lost")

    def __init__(self) -> None:
        self.deliveries: list[Delivery] = []
        self.lost: str | None = None
        """Why no more will come; None while the link stands."""
        self._arrived = asyncio.Event()

    def put(self, delivery: Delivery) -> None:
        self.deliveries.append(delivery)
        self._arrived.set()

    def lose(self, why: str) -> None:
        """The link is gone. The first reason counts; the others follow from it."""
        if self.lost is None:
            self.lost = why
        self._arrived.set()

    async def taken(self) -> list[Delivery]:
        """All that wait, at least one, as soon as there is one. Raises SourceLost once the link is gone and nothing waits any more."""
        while not self.deliveries:
            if self.lost is not None:
                raise SourceLost(self.lost)
            self._arrived.clear()
            await self._arrived.wait()
        taken, self.deliveries = self.deliveries, []
        return taken
