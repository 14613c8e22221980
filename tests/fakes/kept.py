"""A store in memory that satisfies ingest.pipeline.Store: all or nothing, and it can be told to fail."""

from collections.abc import Iterator, Sequence

from analytics.assessment import AlertEvent, Assessment
from analytics.batch import Batch, Checkpoint, DeadLetter, Quarantined
from analytics.battery import Battery
from analytics.reading import Note, Reading
from ingest.reconcile import Standing, Told


class MemoryStore:
    """Everything in dicts. `failures` commits fail before the next one succeeds."""

    def __init__(self, *batteries: Battery) -> None:
        self.declared = {battery.id: battery for battery in batteries}
        self.history: dict[tuple[str, int, int], tuple[Reading, Assessment]] = {}
        self.events: dict[tuple[str, str, int], AlertEvent] = {}
        self.late_events: dict[tuple[str, str, int], AlertEvent] = {}
        self.lives: dict[str, Standing] = {}
        """What the events make of each alert, by its id: going on, or over."""
        self.noted: dict[tuple[str, int, str], Note] = {}
        self.checkpoints: dict[str, list[Checkpoint]] = {}
        self.latest: dict[str, Assessment] = {}
        self.dead_letters: list[DeadLetter] = []
        self.apart: dict[tuple[str, int, int], Quarantined] = {}
        self.failures = 0
        self.commits = 0

    # --- written

    def commit(self, batch: Batch) -> None:
        if self.failures > 0:
            self.failures -= 1
            raise OSError(28, "No space left on device")
        self.commits += 1
        for reading, assessment in batch.kept:
            plain = reading._replace(monotonic_ms=None, boot_id=None)
            self.history.setdefault(_key(reading), (plain, assessment))
            self._untrue(reading.battery_id, reading.at_ms)
        for reading, assessment in batch.refolded:
            assert _key(reading) in self.history, "only what history has is refolded"
            self.history[_key(reading)] = (reading, assessment)
        for events, into in ((batch.events, self.events), (batch.late_events, self.late_events)):
            for event in events:
                key = (event.alert_id, event.kind, event.at_ms)
                if key not in self.events and key not in self.late_events:
                    into[key] = event
                    began_ms = int(event.alert_id.rsplit(":", 1)[1])
                    ended_ms = event.at_ms if event.kind == "ended" else None
                    self.lives[event.alert_id] = Standing(event.battery_id, event.rule, began_ms, event.priority, ended_ms)
        for note in batch.notes:
            self.noted.setdefault((note.battery_id, note.at_ms, note.kind), note)
            self._untrue(note.battery_id, note.at_ms)
        for checkpoint in batch.checkpoints:
            kept = self.checkpoints.setdefault(checkpoint.battery_id, [])
            kept[:] = [c for c in kept if c.at_ms < checkpoint.at_ms] + [checkpoint]
        self.latest.update(batch.latest)
        self.dead_letters += batch.dead_letters
        for apart in batch.quarantined:
            self.apart.setdefault(_key(apart.reading), apart)
        for reading in batch.released:
            self.apart.pop(_key(reading), None)

    def _untrue(self, battery_id: str, at_ms: int) -> None:
        """Checkpoints in the middle of the past; the newest one is replaced by the loop itself."""
        kept = self.checkpoints.get(battery_id, [])
        kept[:] = [c for c in kept[:-1] if c.at_ms < at_ms] + kept[-1:]

    # --- read back

    def battery(self, battery_id: str) -> Battery | None:
        return self.declared.get(battery_id)

    def batteries(self) -> list[Battery]:
        return list(self.declared.values())

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None:
        for checkpoint in reversed(self.checkpoints.get(battery_id, [])):
            if before_ms is None or checkpoint.at_ms < before_ms:
                return checkpoint.at_ms, checkpoint.state
        return None

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        for key in sorted(self.history):
            if key[0] == battery_id and from_ms <= key[1] and (to_ms is None or key[1] < to_ms):
                yield self.history[key][0]

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]:
        return [self.noted[key] for key in sorted(self.noted) if key[0] == battery_id and key[1] >= from_ms]

    def has(self, keys: Sequence[tuple[str, int, int]]) -> set[tuple[str, int, int]]:
        return {key for key in keys if key in self.history}

    def alerts(self, battery_id: str | None = None, *, active: bool | None = None, limit: int = 100) -> list[Told]:
        of_it = [alert for alert in self.lives.values() if battery_id in (None, alert.id.split(":", 1)[0])]
        wanted = [alert for alert in of_it if active is None or active == (alert.ended_ms is None)]
        return sorted(wanted, key=lambda alert: (alert.began_ms, alert.id), reverse=True)[:limit]

    def quarantined(self) -> list[Quarantined]:
        return [self.apart[key] for key in sorted(self.apart)]


def _key(reading: Reading) -> tuple[str, int, int]:
    return reading.battery_id, reading.at_ms, reading.sequence
