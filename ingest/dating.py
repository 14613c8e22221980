"""Whether a reading's time can be believed: readings from the future or from a time without a clock are set apart and dated later.

A reading is never dropped for its time. No I/O; the time is handed in.
"""

from collections.abc import Callable
from dataclasses import dataclass

from analytics.batch import Quarantined
from analytics.reading import Reading

AHEAD_MS = 120_000
"""Judgement: two clocks that are kept by a time service differ by seconds; beyond two minutes one of them is wrong."""
FIRST_BELIEVABLE_MS = 1_577_836_800_000
"""2020-01-01, judgement: older than this service; a sender without a clock says 1970 or the day of its firmware."""
SETTLE_MS = 10_000
"""Judgement: a sender empties what it stored within seconds of connecting; then arrival tells the time."""
SETTLED_WITHIN_MS = 2_000
MOST_BOOTS = 10_000


@dataclass(slots=True)
class Boot:
    """One run of one sender: what has to be added to its monotonic time to get UTC."""

    offset_ms: int
    """Settled: known. Otherwise the smallest (received − monotonic): a delay can only make it larger."""
    settled: bool
    since_ms: int
    """Our monotonic time when `offset_ms` last fell."""


class Dating:
    """Judges times; remembers what is set apart."""

    def __init__(self, own_boot_id: str, ahead_ms: int = AHEAD_MS) -> None:
        self._own_boot_id, self._ahead_ms = own_boot_id, ahead_ms
        self._boots: dict[tuple[str, str], Boot] = {}
        self.apart: list[Quarantined] = []

    def judge(self, reading: Reading, received_ms: int, monotonic_ms: int, then_ms: int, *, trusted: bool) -> Reading | Quarantined:
        """The reading, dated, or the reading set apart.

        `received_ms` is what the wall clock said at its receipt, and its time if it brought none of its own; `monotonic_ms`
        and `then_ms` are the monotonic and the steady time of its receipt.
        """
        at_ms = reading.at_ms
        own_time = at_ms != received_ms
        if own_time and at_ms >= FIRST_BELIEVABLE_MS:
            if at_ms > then_ms + self._ahead_ms:
                return Quarantined(reading, received_ms, "future" if trusted else "no clock")
            if reading.boot_id is not None and reading.monotonic_ms is not None:
                self._learn(reading.battery_id, reading.boot_id, at_ms - reading.monotonic_ms, monotonic_ms, settled=True)
            return reading
        if reading.boot_id is None or reading.monotonic_ms is None:
            if own_time:
                return Quarantined(reading, received_ms, "no clock")
            if trusted:
                stepped = abs(received_ms - then_ms) > self._ahead_ms
                return reading._replace(at_ms=then_ms) if stepped else reading
            return Quarantined(reading._replace(monotonic_ms=monotonic_ms, boot_id=self._own_boot_id), received_ms, "no clock")
        if trusted:
            self._learn(reading.battery_id, reading.boot_id, then_ms - reading.monotonic_ms, monotonic_ms, settled=False)
        boot = self._boots.get((reading.battery_id, reading.boot_id))
        if boot is not None and boot.settled:
            return reading._replace(at_ms=reading.monotonic_ms + boot.offset_ms)
        return Quarantined(reading, received_ms, "no clock")

    def revive(self, apart: list[Quarantined], monotonic_ms: int) -> None:
        """What was set apart before this start. When it was received dates the runs of senders that may not speak again."""
        self.apart = list(apart)
        for reading, received_ms, _ in apart:
            if reading.boot_id not in (None, self._own_boot_id) and reading.monotonic_ms is not None and received_ms >= FIRST_BELIEVABLE_MS:
                self._learn(reading.battery_id, str(reading.boot_id), received_ms - reading.monotonic_ms, monotonic_ms, settled=False)

    def set_apart(self, apart: Quarantined) -> None:
        self.apart.append(apart)

    def due(
        self, now_ms: int, monotonic_ms: int, *, trusted: bool, redated: Callable[[Reading, int], Reading | None] = lambda *_: None
    ) -> list[tuple[Reading, Reading]]:
        """(as it was set apart, as it is dated now) of all whose time has come or is known now, oldest first.

        `redated` knows the senders whose clocks are wrong: it dates a reading by when it came, or gives None.
        """
        for boot in self._boots.values():
            boot.settled = boot.settled or monotonic_ms - boot.since_ms >= SETTLE_MS
        found: list[tuple[Reading, Reading]] = []
        still: list[Quarantined] = []
        for apart in self.apart:
            dated = redated(apart.reading, apart.received_ms) or self._dated(apart, now_ms, monotonic_ms, trusted=trusted)
            if dated is None:
                still.append(apart)
            else:
                found.append((apart.reading, dated))
        self.apart = still
        return sorted(found, key=lambda pair: (pair[1].at_ms, pair[1].sequence))

    def _dated(self, apart: Quarantined, now_ms: int, monotonic_ms: int, *, trusted: bool) -> Reading | None:
        reading = apart.reading
        at_ms = reading.at_ms
        if at_ms >= FIRST_BELIEVABLE_MS and at_ms != apart.received_ms:
            return reading if trusted and at_ms <= now_ms + self._ahead_ms else None
        if reading.boot_id is None or reading.monotonic_ms is None:
            return None
        if reading.boot_id == self._own_boot_id:
            return reading._replace(at_ms=now_ms - monotonic_ms + reading.monotonic_ms) if trusted else None
        boot = self._boots.get((reading.battery_id, reading.boot_id))
        if boot is None or not boot.settled:
            return None
        return reading._replace(at_ms=boot.offset_ms + reading.monotonic_ms)

    def _learn(self, battery_id: str, boot_id: str, offset_ms: int, monotonic_ms: int, *, settled: bool) -> None:
        key = (battery_id, boot_id)
        boot = self._boots.get(key)
        if boot is None:
            if len(self._boots) >= MOST_BOOTS:
                del self._boots[next(iter(self._boots))]
            self._boots[key] = Boot(offset_ms, settled, monotonic_ms)
        elif settled:
            boot.offset_ms, boot.settled = offset_ms, True
        elif not boot.settled and offset_ms < boot.offset_ms:
            if offset_ms < boot.offset_ms - SETTLED_WITHIN_MS:
                boot.since_ms = monotonic_ms
            boot.offset_ms = offset_ms
