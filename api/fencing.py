"""The ledger as one of several workers may use it: each battery is claimed before its state is read, and written only while the claim holds.

A claim raises the battery's fence in the ledger; every commit compares it in the same transaction. So of two workers that both
believe a battery is theirs only the later one can write, however late the other one notices. Nothing is decided about queues here.
"""

from collections.abc import Callable, Iterator, Sequence

from analytics import keep
from analytics.batch import Batch, Quarantined
from analytics.battery import Battery
from analytics.reading import Note, Reading
from api.ledger import Fenced, SqlLedger
from api.ledger_batch import battery_ids
from api.ports import Alert
from api.taking_over import Past


class FencedLedger:
    """Satisfies the loop's store. It begins with no battery at all: which ones are this worker's shows in what reaches it."""

    def __init__(self, ledger: SqlLedger, die: Callable[[str], None]) -> None:
        """`die` ends the process: a worker whose battery was taken over holds states that are no longer true."""
        self._ledger, self._die = ledger, die
        self._fences: dict[str, int] = {}
        self._foreseen: dict[str, tuple[Battery, Past]] = {}
        self.partition_of: Callable[[str], str | None] = lambda battery_id: None
        """From a battery's id, the queue through which its readings came to this worker."""

    @property
    def claimed(self) -> int:
        """How many batteries this worker has taken over."""
        return len(self._fences)

    def mine(self) -> set[str]:
        """The ids of those claimed so far."""
        return set(self._fences)

    def owns(self, battery_id: str) -> bool:
        return battery_id in self._fences

    def batteries(self) -> list[Battery]:
        """Those claimed so far: none at a start."""
        return [battery for battery in self._ledger.batteries() if battery.id in self._fences]

    def foresee(self, battery_ids: Sequence[str]) -> None:
        """Claim these batteries in one go and read what continues their folds; loading each then asks the database nothing more.

        What was read holds until the next commit: while a claim holds, nobody else writes for the battery.
        """
        declared = self._ledger.declared()
        known = [battery_id for battery_id in battery_ids if battery_id in declared]
        self._claim([battery_id for battery_id in known if battery_id not in self._fences])
        self._foreseen = {battery_id: (declared[battery_id], past) for battery_id, past in self._ledger.pasts(known).items()}

    def battery(self, battery_id: str) -> Battery | None:
        """The declaration; the battery is this worker's from now on. None, and no claim, where nobody declared it."""
        if battery_id in self._foreseen:
            return self._foreseen[battery_id][0]
        battery = self._ledger.battery(battery_id)
        if battery is not None and battery_id not in self._fences:
            self._claim([battery_id])
        return battery

    def _claim(self, battery_ids: Sequence[str]) -> None:
        if battery_ids:
            queues = {battery_id: queue for battery_id in battery_ids if (queue := self.partition_of(battery_id)) is not None}
            self._fences.update(self._ledger.claim(battery_ids, queues))

    def of_partition(self, queue: str) -> list[str]:
        """Batteries that are this worker's because it reads this queue, whether they speak or not."""
        return [battery_id for battery_id in self._ledger.of_partition(queue) if battery_id not in self._fences]

    def commit(self, batch: Batch) -> None:
        """As the ledger's; where a claim no longer holds nothing is kept and the process ends."""
        fences, self._foreseen = self._fences, {}
        try:
            self._ledger.commit(batch, {i: fences[i] for i in set(battery_ids(batch)) if i in fences})
        except Fenced as e:
            self._die(str(e))
            raise

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None:
        foreseen = before_ms is None and battery_id in self._foreseen
        found = self._foreseen[battery_id][1].checkpoint if foreseen else self._ledger.resume(battery_id, before_ms)
        if found is not None and (keep.schema_of(found[1]) or 0) > keep.SCHEMA:
            self._die(
                f"battery {battery_id}: a newer Restvolt wrote its state (schema {keep.schema_of(found[1])}, this one reads {keep.SCHEMA});"
                " start the newer version. Nothing was changed."
            )
        return found

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        if to_ms is None and battery_id in self._foreseen:
            past = self._foreseen[battery_id][1]
            if past.readings is not None and past.from_ms == from_ms:
                return iter(past.readings)
        return self._ledger.readings(battery_id, from_ms, to_ms)

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]:
        if battery_id in self._foreseen and self._foreseen[battery_id][1].from_ms == from_ms:
            return self._foreseen[battery_id][1].notes
        return self._ledger.notes(battery_id, from_ms)

    def has(self, keys: Sequence[tuple[str, int, int]]) -> set[tuple[str, int, int]]:
        return self._ledger.has(keys)

    def alerts(self, battery_id: str | None = None, *, active: bool | None = None, limit: int = 100) -> list[Alert]:
        if active and battery_id in self._foreseen:
            return self._foreseen[battery_id][1].alerts
        return self._ledger.alerts(battery_id, active=active, limit=limit)

    def quarantined(self) -> list[Quarantined]:
        """Those of claimed batteries; the others are their workers' to release."""
        return [apart for apart in self._ledger.quarantined() if apart.reading.battery_id in self._fences]
