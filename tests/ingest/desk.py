"""The loop on a desk: thousands of readings, ticks, commits, kills and redeliveries a second, in an order that a seed decides.

The real intake and folding with a store in memory; no broker, no process, no waiting. What a kill takes is what they held.
"""

import json
import math
import random
from collections.abc import Iterator, Sequence

from analytics.assessment import AlertEvent
from analytics.batch import Batch
from analytics.reading import Reading, on_the_grid
from ingest.counters import Counters
from ingest.folding import Folding
from ingest.intake import Intake
from ingest.source import Delivery
from tests.fakes.clock import NOON_MS, HandClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import DECODERS, HERON

MINUTE = 60_000
WINDOW = 33
"""Readings that may be unacknowledged."""


class Killed(Exception):  # noqa: N818 - named for what happened
    """The service is gone, with all that it held in memory."""


class Desk:
    """One battery's readings, one a minute, and services that come and go."""

    def __init__(self, seed: int, minutes: int, *, late: bool) -> None:
        self.rng, self._late = random.Random(seed), late
        self.sent = list(self._drive(minutes))
        self.store, self.told, self.kills = MemoryStore(HERON), list[AlertEvent](), 0
        self._clock = HandClock()
        self._coming = list(self.sent)
        """In the order in which they will come."""
        self._published = 0

    def _drive(self, minutes: int) -> Iterator[Reading]:
        """A load that comes and goes over hours, so that warnings begin and end."""
        volts, gauss = 12.7, self.rng.gauss
        for minute in range(minutes):
            amps = -9.0 + 11.0 * math.sin(minute / 300) + gauss(0, 1)
            volts = min(14.4, max(10.8, volts + amps / 6000 + gauss(0, 0.002)))
            yield on_the_grid(Reading(HERON.id, NOON_MS + minute * MINUTE, volts + amps * 0.006, amps, 15.0))

    def run(self) -> "Desk":
        """Until every reading is kept and folded."""
        while True:
            self._go_on(self.rng.choice((0, 1, 5, 30, 90, 200)))
            try:
                self._live()
            except Killed:
                self.kills += 1
                self._coming = [r for r in self.sent if not self.store.has([(r.battery_id, r.at_ms, r.sequence)])]
            else:
                return self

    def _go_on(self, minutes: int) -> None:
        """The sender sends and the clock runs, whether the service does or not."""
        self._published = min(len(self.sent), self._published + minutes)
        self._clock.go(max(0, NOON_MS + self._published * MINUTE - MINUTE + 1000 - self._clock.wall) or 1000)

    def _live(self) -> None:
        """One service, until it is killed or nothing more comes."""
        rng, folding = self.rng, Folding(self.store, self.rng.choice((20, 100, 500)))
        intake = Intake(folding, DECODERS, self._clock, Counters())
        intake.load([HERON.id])
        taken = 0
        while self._coming or taken or folding.late():
            does = rng.random()
            if does < 0.35:
                taken += self._take(intake, min(rng.randint(1, WINDOW), WINDOW - taken))
            elif does < 0.6:
                self._go_on(rng.choice((1, 3, 10, 30, 70)))
            elif does < 0.8:
                intake.look()
            elif does < 0.985:
                self._commit(intake)
                taken = 0
            else:
                raise Killed
        folding.all_due()
        self._commit(intake)

    def _take(self, intake: Intake, count: int) -> int:
        out = len(self.sent) - len(self._coming)
        readings = self._coming[: max(0, min(count, self._published - out))]
        del self._coming[: len(readings)]
        if self._late and self.rng.random() < 0.1:  # they went another way, and come after newer ones
            self._coming[WINDOW:WINDOW] = readings
            return 0
        wall, monotonic = self._clock.wall_ms(), self._clock.monotonic_ms()
        deliveries = [Delivery("desk", HERON.id, "json", _json(reading), wall, monotonic) for reading in readings]
        intake.take([(delivery, intake.decode(delivery)) for delivery in deliveries])
        return len(readings)

    def _commit(self, intake: Intake) -> None:
        self._maybe_killed(0.05)
        intake.sort_late()
        batch, intake.batch = intake.batch, Batch()
        batch.checkpoints.extend(intake.folding.checkpoints())
        self._keep(batch)
        self._maybe_killed(0.05)
        if intake.folding.refold_due() and self.rng.random() < 0.5:
            for part in intake.folding.refold(HERON.id):
                self._keep(part)
                self._maybe_killed(0.1)

    def _keep(self, batch: Batch) -> None:
        self.told += self._new([*batch.events, *batch.late_events])
        self.store.commit(batch)

    def _new(self, events: Sequence[AlertEvent]) -> list[AlertEvent]:
        """What a ledger keeps of them: a step that it has is left as it was."""
        known = {**self.store.events, **self.store.late_events}
        return list({(e.alert_id, e.kind, e.at_ms): e for e in events if (e.alert_id, e.kind, e.at_ms) not in known}.values())

    def _maybe_killed(self, chance: float) -> None:
        if self.rng.random() < chance:
            raise Killed


def _json(reading: Reading) -> bytes:
    return json.dumps({"u": reading.voltage_v, "i": reading.current_a, "temp": 15.0, "t": reading.at_ms, "n": 0}).encode()
