"""The relay: a van's service forwards its readings to the fleet's broker, from its own database and at its own pace.

What waits is in the history, never in memory; how far it got is a cursor in the ledger, moved only after the broker's
acknowledgement. Killed at any moment, it sends a few messages again, and the receiver keeps a (battery, time, sequence) once: nothing is
lost and nothing doubled. It judges nothing and changes no reading.

A message is a JSON array of one battery's readings; its first element carries `message`, the relay's own count. The fleet reads it with
the format `FORMAT` below.
"""

import random
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any, Protocol

import orjson

from analytics.battery import Battery
from analytics.reading import Reading
from api.database import DatabaseBusy, DatabaseFull
from api.health import Part
from api.ports import History
from api.relay_cursor import Cursor, Stretch, stretches_of
from api.relay_link import Link, LinkLost, RelaySettings

FORMAT: dict[str, Any] = {
    "voltage": "voltage_v",
    "current": "current_a",
    "temperature": "temperature_c",
    "charge": "charge_ah",
    "time": {"field": "time_ms", "kind": "unix_ms"},
    "sequence": "sequence",
}
"""What the fleet's settings say of this format (kind `json`)."""

MOST_READINGS = 200
"""In one message; about 20 kB. Judgement: a broken link costs at most one window of them."""
MOST_MESSAGES = 8
"""On their way at once."""
READING_BYTES = 120
WINDOW_S = 2.0
"""A window is at most what the bandwidth lets through in this time, so that something new never waits long behind the backlog."""
LOOK_BACK_S, LOOK_FAR_BACK_S = 600.0, 6 * 3600.0
"""How often the last two days, and all kept days, are compared with what arrived. Judgement: late readings are no alarm."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 300.0
CONNECTED = "connected to the fleet's broker"


class Facts(Protocol):
    """The part of the ledger that the relay needs."""

    def batteries(self) -> list[Battery]: ...

    def fact(self, key: str) -> Any: ...

    def keep_fact(self, key: str, value: Any) -> None: ...


class Relay:
    """`run` in a thread of its own, until `stop` is set."""

    def __init__(
        self,
        settings: RelaySettings,
        history: History,
        facts: Facts,
        *,
        monotonic: Callable[[], float] = time.monotonic,
        look_back_s: float = LOOK_BACK_S,
        look_far_back_s: float = LOOK_FAR_BACK_S,
        first_wait_s: float = FIRST_WAIT_S,
    ) -> None:
        self._settings, self._history, self._facts, self._monotonic = settings, history, facts, monotonic
        self._key = f"relay:{settings.host}:{settings.port}:{settings.client_id}"
        self._cursors: dict[str, Cursor] = {}
        self._before: dict[str, Cursor] | None = None
        """The cursors before the last window of this connection; None: it has acknowledged nothing yet."""
        self._messages = 0
        self._look_back_s, self._look_far_back_s, self._first_wait_s = look_back_s, look_far_back_s, first_wait_s
        self._looked_s = self._looked_far_s = -1e18
        self._says = "not connected yet"
        self._works = False
        self.sent_readings = 0
        self.sent_bytes = 0
        self._room = max(1, int(settings.most_bytes_per_s * WINDOW_S / READING_BYTES))
        self._free_s = -1e18
        """What was sent, acknowledged or not, is paid for by then: a link that breaks again and again costs no more than one that holds."""

    # --- what others ask

    def part(self) -> Part:
        """For the health page. The van is of use without the fleet."""
        return Part("relay", self._works, self._says, needed=False)

    # --- the loop

    def run(self, stop: threading.Event) -> None:
        """Connect, forward, and connect again after a loss, with a doubling and capped wait."""
        self._load()
        wait_s = self._first_wait_s
        while not stop.is_set():
            try:
                self._step_back()
                with Link(self._settings) as link:
                    self._works, self._says = True, CONNECTED
                    while not stop.is_set():
                        if self._once(link, stop):
                            wait_s = self._first_wait_s
            except (LinkLost, DatabaseBusy, DatabaseFull) as e:
                self._works, self._says = False, f"{e}; trying again within {wait_s:.0f} s, readings wait in the history"
                stop.wait(wait_s * random.uniform(0.5, 1))  # noqa: S311 - so that a fleet does not come back all at once
                wait_s = min(LONGEST_WAIT_S, wait_s * 2)

    def _once(self, link: Link, stop: threading.Event) -> bool:
        """One window: plan, publish, wait for the acknowledgements, move the cursor. False: there was nothing to send."""
        if stop.wait(max(0.0, self._free_s - self._monotonic())):
            return False
        self._look_back()
        plan = {battery_id: cursor.copy() for battery_id, cursor in self._cursors.items()}
        window = self._window(plan)
        if not window:
            link.check()
            stop.wait(self._settings.every_s)
            return False
        size, number = 0, self._messages
        for stretch in window:
            if stretch.readings:
                number += 1
                payload = encoded(stretch.readings, number)
                size += len(payload)
                self._free_s = max(self._free_s, self._monotonic()) + len(payload) / self._settings.most_bytes_per_s
                link.publish(self._settings.topic_of(stretch.battery_id), payload)
        if not link.settle(stop, 30.0 + 4 * size / self._settings.most_bytes_per_s):
            return False
        for stretch in window:
            plan[stretch.battery_id].arrived(stretch)
            self.sent_readings += len(stretch.readings)
        self.sent_bytes += size
        self._before, self._cursors, self._messages = self._cursors, plan, number
        behind = any(cursor.gaps for cursor in plan.values())
        self._says = f"{CONNECTED}; older readings are still on their way" if behind else CONNECTED
        self._keep()
        return True

    def _step_back(self) -> None:
        """The connection broke: its last window goes again. A broker that is killed may lose what it acknowledged a moment before."""
        if self._before is not None:
            self._cursors, self._before = self._before, None
            self._keep()

    def _window(self, plan: dict[str, Cursor]) -> list[Stretch]:
        """What goes next: first whatever is new, of every battery; then backlog, oldest first, as far as there is room."""
        window: list[Stretch] = []
        for battery_id in self._wanted():
            cursor = plan.setdefault(battery_id, Cursor())
            last_ms = self._history.last_ms(battery_id)
            if last_ms is not None and last_ms >= cursor.new_ms:
                cursor.cut(last_ms)
                window += self._next(battery_id, cursor, cursor.new_ms, None, max(1, self._left(window)), 1)
        for battery_id, cursor in plan.items():
            while cursor.gaps and self._left(window) > 0 and len(window) < MOST_MESSAGES:
                window += self._next(battery_id, cursor, *cursor.gaps[0], self._left(window), MOST_MESSAGES - len(window))
        return window

    def _left(self, window: list[Stretch]) -> int:
        return self._room - sum(len(stretch.readings) for stretch in window)

    def _next(self, battery_id: str, cursor: Cursor, from_ms: int, to_ms: int | None, left: int, messages: int) -> Iterator[Stretch]:
        """At most so many messages, read from the history at once."""
        readings = self._history.readings(battery_id, from_ms, to_ms)
        for found in islice(stretches_of(battery_id, from_ms, to_ms, readings, min(MOST_READINGS, left)), messages):
            cursor.take(found)
            yield found
            left -= len(found.readings)
            if left < MOST_READINGS:
                return

    def _wanted(self) -> list[str]:
        only = self._settings.only
        return [battery.id for battery in self._facts.batteries() if not only or battery.id in only]

    def _look_back(self) -> None:
        """Find readings that came in behind the cursor: days that hold more than was acknowledged go again."""
        now_s = self._monotonic()
        if now_s - self._looked_s < self._look_back_s:
            return
        far = now_s - self._looked_far_s >= self._look_far_back_s
        self._looked_s = now_s
        if far:
            self._looked_far_s = now_s
        for battery_id, cursor in self._cursors.items():
            settled = list(cursor.settled_days())
            for day, from_ms, to_ms in settled if far else settled[-2:]:
                there = sum(1 for _ in self._history.readings(battery_id, from_ms, to_ms))
                if there > cursor.days.get(day, 0):
                    cursor.again(from_ms, to_ms)

    # --- the cursor

    def _load(self) -> None:
        """Raises ValueError if what is kept is of a later version."""
        kept = self._facts.fact(self._key)
        if kept is None:
            return
        if kept.get("version") != 1:
            raise ValueError(
                f"{self._key}: expected a cursor of version 1, found version {kept.get('version')!r}; a newer Restvolt wrote it"
            )
        self._messages = kept["messages"]
        self._cursors = {battery_id: Cursor.load(cursor) for battery_id, cursor in kept["batteries"].items()}

    def _keep(self) -> None:
        batteries = {battery_id: cursor.dump() for battery_id, cursor in self._cursors.items()}
        self._facts.keep_fact(self._key, {"version": 1, "messages": self._messages, "batteries": batteries})


def encoded(readings: Sequence[Reading], number: int) -> bytes:
    """One message. Values as history keeps them (1 mV, 1 mA, 0.1 °C, 1 mAh), so both ends hold the same numbers."""
    rows: list[dict[str, float | int]] = []
    for reading in readings:
        row: dict[str, float | int] = {"time_ms": reading.at_ms, "voltage_v": round(reading.voltage_v, 3)}
        if reading.current_a is not None:
            row["current_a"] = round(reading.current_a, 3)
        if reading.temperature_c is not None:
            row["temperature_c"] = round(reading.temperature_c, 1)
        if reading.charge_ah is not None:
            row["charge_ah"] = round(reading.charge_ah, 3)
        if reading.sequence:
            row["sequence"] = reading.sequence
        rows.append(row)
    rows[0] = {"message": number, **rows[0]}
    return orjson.dumps(rows)
