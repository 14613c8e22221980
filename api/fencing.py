"""The ledger as one of several workers may use it: each battery is claimed before its state is read, and written only while the claim holds.

A claim raises the battery's fence in the ledger; every commit compares it in the same transaction. So of two workers that both
believe a battery is theirs only the later one can write, however late the other one notices. Nothing is decided about queues here.
"""

from collections.abc import Callable, Iterator, Sequence

from analytics.batch import Batch, Quarantined
from analytics.battery import Battery
from analytics.reading import Note, Reading
from api.ledger import Fenced, SqlLedger
from api.ports import Alert


class FencedLedger:
    """Satisfies the loop's store. It begins with no battery at all: which ones are this worker's shows in what reaches it."""

    def __init__(self, ledger: SqlLedger, die: Callable[[str], None]) -> None:
        """`die` ends the process: a worker whose battery was taken over holds states that are no longer true."""
        self._ledger, self._die = ledger, die
        self._fences: dict[str, int] = {}
        self.partition_of: Callable[[str], str | None] = lambda battery_id: None
        """From a battery's id, the queue through which its readings came to this worker."""

    @property
    def claimed(self) -> int:
        """How many batteries this worker has taken over."""
        return len(self._fences)

    def batteries(self) -> list[Battery]:
        """Those claimed so far: none at a start."""
        return [battery for battery in self._ledger.batteries() if battery.id in self._fences]

    def battery(self, battery_id: str) -> Battery | None:
        """The declaration; the battery is this worker's from now on. None, and no claim, where nobody declared it."""
        battery = self._ledger.battery(battery_id)
        if battery is not None and battery_id not in self._fences:
            self._fences.update(self._ledger.claim([battery_id]))
            queue = self.partition_of(battery_id)
            if queue is not None:
                self._ledger.keep_partition(battery_id, queue)
        return battery

    def of_partition(self, queue: str) -> list[str]:
        """Batteries that are this worker's because it reads this queue, whether they speak or not."""
        return [battery_id for battery_id in self._ledger.of_partition(queue) if battery_id not in self._fences]

    def commit(self, batch: Batch) -> None:
        """As the ledger's; where a claim no longer holds nothing is kept and the process ends."""
        fences = self._fences
        try:
            self._ledger.commit(batch, {i: fences[i] for i in touched(batch) if i in fences})
        except Fenced as e:
            self._die(str(e))
            raise

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None:
        return self._ledger.resume(battery_id, before_ms)

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        return self._ledger.readings(battery_id, from_ms, to_ms)

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]:
        return self._ledger.notes(battery_id, from_ms)

    def has(self, keys: Sequence[tuple[str, int, int]]) -> set[tuple[str, int, int]]:
        return self._ledger.has(keys)

    def alerts(self, battery_id: str | None = None, *, active: bool | None = None, limit: int = 100) -> list[Alert]:
        return self._ledger.alerts(battery_id, active=active, limit=limit)

    def quarantined(self) -> list[Quarantined]:
        """Those of claimed batteries; the others are their workers' to release."""
        return [apart for apart in self._ledger.quarantined() if apart.reading.battery_id in self._fences]


def touched(batch: Batch) -> set[str]:
    """The batteries of which this batch changes anything."""
    ids = {reading.battery_id for pairs in (batch.kept, batch.refolded) for reading, _ in pairs}
    ids.update(event.battery_id for events in (batch.events, batch.late_events) for event in events)
    ids.update(note.battery_id for note in batch.notes)
    ids.update(checkpoint.battery_id for checkpoint in batch.checkpoints)
    ids.update(batch.latest)
    ids.update(apart.reading.battery_id for apart in batch.quarantined)
    return ids
