"""The states of all batteries while the service runs: each input is folded in the order of time, and late ones at their own time.

What this promises: the state of a battery is always the fold of its history (readings and notes by time, and the ticks that
analytics.fold puts into a silence) — live, after a restart, and after late readings. It talks to the store only where a
state must be read; committing is the loop's.
"""

from collections.abc import Iterable, Iterator, Mapping
from heapq import merge

from analytics import keep
from analytics.assessment import AlertEvent, Assessment, Outcome
from analytics.batch import Batch, Checkpoint
from analytics.battery import Battery
from analytics.core import begin, step
from analytics.fold import FIRST_TICK_MS
from analytics.reading import Note, Reading, on_the_grid
from ingest.lives import NEWEST_OF_TIME, Kept, Live, key_of
from ingest.reconcile import standing

CHECKPOINT_READINGS = 500
"""Judgement: folding them again takes 10 ms at a start, and a checkpoint of 2 kB costs 4 bytes a reading."""
CHECKPOINT_MS = 6 * 3_600_000
"""Judgement: a battery that speaks every 15 minutes gets four checkpoints a day."""
BACKLOG_MS = 30 * 60_000
"""Judgement: an event found half an hour after its time is of a backlog, and is told in a summary instead of one by one."""
MOST_LATE_MS = 40 * 86_400_000
"""Judgement: stores keep checkpoints for 45 days; a state folded from less than its whole history would be worse than the one there is."""
MOST_OVER = 1_000
"""Judgement: nobody has had so many alerts of a battery since one began that still stands."""
REFOLD_PART = 5_000
"""Readings refolded in one commit, so that a long refold neither fills memory nor holds the database."""


class Folding:
    """All live states. Methods that read the store are meant for the thread that commits."""

    def __init__(self, store: Kept, checkpoint_readings: int = CHECKPOINT_READINGS, refold_part: int = REFOLD_PART) -> None:
        self.store = store
        self._checkpoint_readings, self._refold_part = checkpoint_readings, refold_part
        self.lives: dict[str, Live] = {}
        self.due: set[str] = set()
        """Batteries whose checkpoint belongs into the next commit."""
        self._late: set[str] = set()

    # --- coming and going

    def load(self, battery_id: str, batch: Batch) -> Live | None:
        """Newest checkpoint and the history after it, in place of what was loaded; None if no such battery is declared. Reads the store."""
        battery = self.store.battery(battery_id)
        if battery is None:
            self.lives.pop(battery_id, None)
            return None
        live, from_ms = self._from_checkpoint(battery, None)
        happened: list[Outcome] = []
        for done in live.folded(self._inputs(battery_id, from_ms)):
            live.since += 1
            happened += done.events
        # Known to the ledger already, unless the rules are newer than the history: then they are told as a backlog.
        ended = _tell_late(happened, batch, self._over(battery_id) if happened else {})
        self._compare(live, ended, batch)
        if battery_id in self.lives:
            live.goes_on(self.lives[battery_id])
        self.lives[battery_id] = live
        self._late.discard(battery_id)
        if live.since >= self._checkpoint_readings:
            self.due.add(battery_id)
        return live

    def _compare(self, live: Live, ended: set[str], batch: Batch) -> None:
        """After a fold of history: tell what turns out otherwise than it was told, and remember what is not decided yet. Reads the store.

        `ended`: the alerts of which this very fold tells the end.
        """
        battery_id, stands = live.state.battery.id, standing(live.state)
        active = {alert.id: alert for alert in self.store.alerts(battery_id, active=True)}
        live.told = {i: alert for i, alert in {**live.told, **active}.items() if i not in stands and i not in ended}
        if stands.keys() - active.keys():
            live.ended = {i: at_ms for i, at_ms in self._over(battery_id).items() if i in stands}
        batch.late_events.extend(live.otherwise(max(live.ticked_ms, live.newest[0])))

    def _over(self, battery_id: str) -> dict[str, int]:
        """The alerts whose end was told, and when it was. Reads the store."""
        over = self.store.alerts(battery_id, active=False, limit=MOST_OVER)
        return {alert.id: alert.ended_ms for alert in over if alert.ended_ms is not None}

    def _from_checkpoint(self, battery: Battery, before_ms: int | None) -> tuple[Live, int]:
        """A live state of the newest checkpoint (before a time) and where the history after it begins."""
        kept = self.store.resume(battery.id, before_ms)
        if kept is not None:
            at_ms, state = kept
            try:
                return Live(keep.loads(battery, state), (at_ms, NEWEST_OF_TIME, 0), at_ms, at_ms), at_ms + 1
            except keep.SchemaError:
                pass  # written by another version: the history tells it all
        return Live(begin(battery), (-1, 0, 0), 0, 0), 0

    def _inputs(self, battery_id: str, from_ms: int) -> Iterator[Reading | Note]:
        readings: Iterable[Reading | Note] = self.store.readings(battery_id, from_ms)
        notes: Iterable[Reading | Note] = self.store.notes(battery_id, from_ms)
        return merge(readings, notes, key=key_of)

    # --- in order

    def fold(self, live: Live, reading: Reading, batch: Batch, now_ms: int) -> bool:
        """Fold a reading that is newer than all before it; False if it is late or known, and nothing was done."""
        at_ms = reading.at_ms
        newest = live.newest
        if at_ms <= newest[0] and (at_ms < newest[0] or newest[1] or reading.sequence <= newest[2]):
            return False
        reading = on_the_grid(reading)
        if at_ms - live.ticked_ms > FIRST_TICK_MS or at_ms <= live.ticked_ms:
            self._through_silence(live, at_ms, batch, now_ms)
        live.state, outcome = step(live.state, reading)
        live.base = live.state
        live.newest, live.last = (at_ms, 0, reading.sequence), reading
        live.ticked_ms = live.base_ticked_ms = at_ms
        live.since += 1
        assessment = outcome.assessment
        batch.kept.append((reading, assessment))
        batch.latest[reading.battery_id] = assessment
        if assessment[10] is not live.details or assessment[9] is not live.anchor or assessment[5] is None:  # told, anchor, charge
            self._news(live, assessment, batch)
        if outcome.events:
            self._happened(live, outcome, batch, now_ms)
        if live.told or live.ended:
            self._settle(live, at_ms, batch, now_ms)
        if live.since >= self._checkpoint_readings or at_ms - live.checkpoint_ms >= CHECKPOINT_MS:
            self.due.add(reading.battery_id)
        return True

    def note(self, live: Live, note: Note, batch: Batch, now_ms: int) -> bool:
        """Fold a note; one that is older than the newest reading is kept and folded later. False: it is known already."""
        key = key_of(note)
        if key == live.newest:
            return False
        if key < live.newest:
            self.mark_late(live, note.at_ms, batch)
            batch.notes.append(note)
            return True
        batch.notes.append(note)
        self._through_silence(live, note.at_ms, batch, now_ms)
        live.state, outcome = step(live.state, note)
        live.moved(note)
        self._news(live, outcome.assessment, batch)
        self._happened(live, outcome, batch, now_ms)
        self._settle(live, note.at_ms, batch, now_ms)
        return True

    @staticmethod
    def _news(live: Live, assessment: Assessment, batch: Batch) -> None:
        """The newest assessment says more than history does: decided here, where it is at hand; for a store the many that do not are in no cache."""
        live.details, live.anchor = assessment.told, assessment.anchor
        batch.latest[assessment.battery_id] = batch.news[assessment.battery_id] = assessment

    def _through_silence(self, live: Live, at_ms: int, batch: Batch, now_ms: int) -> None:
        """Before an input after a silence: the ticks up to it, and none beyond it."""
        ahead = live.state if live.ticked_ms >= at_ms and live.ticked_ms > live.base_ticked_ms else None
        over_ms, live.over_ms = live.over_ms, {}
        if ahead is not None:
            live.state, live.ticked_ms = live.base, live.base_ticked_ms
        for outcome in live.tick_to(at_ms):
            self._happened(live, outcome, batch, now_ms)
        if ahead is not None:
            live.told.update(standing(ahead))
            stands = standing(live.state)
            live.ended = {alert_id: over for alert_id, over in {**over_ms, **live.ended}.items() if alert_id in stands}

    def _settle(self, live: Live, at_ms: int, batch: Batch, now_ms: int) -> None:
        """After an input or ticks: tell what turns out otherwise than it was told."""
        ended = {event.alert_id for event in (*batch.events, *batch.late_events) if event.kind == "ended"}
        events = [event for event in live.otherwise(at_ms) if event.kind != "ended" or event.alert_id not in ended]
        self._tell(live, events, batch, now_ms)
        if live.state is live.base:  # what is over after an input stays over, unlike what ticks end
            stands = standing(live.state)
            live.ended = {alert_id: over for alert_id, over in live.ended.items() if alert_id in stands}

    def _happened(self, live: Live, outcome: Outcome, batch: Batch, now_ms: int) -> None:
        self.due.add(live.state.battery.id)
        self._tell(live, outcome.events, batch, now_ms)

    @staticmethod
    def _tell(live: Live, events: Iterable[AlertEvent], batch: Batch, now_ms: int) -> None:
        """Put events into the batch: of a backlog or of now, the steps of one alert in their order, and no end twice."""
        for event in events:
            if event.kind == "ended" and event.alert_id in live.ended:
                continue
            late = event.at_ms < now_ms - BACKLOG_MS or any(e.alert_id == event.alert_id for e in batch.late_events)
            (batch.late_events if late else batch.events).append(event)

    def tick(self, live: Live, now_ms: int, batch: Batch) -> None:
        """Time went by: fold the ticks of a silence up to now."""
        for outcome in live.tick_to(now_ms):
            self._tell(live, outcome.events, batch, now_ms)
            self._news(live, outcome.assessment, batch)
        if live.told or live.ended:
            self._settle(live, live.ticked_ms, batch, now_ms)

    # --- checkpoints

    def checkpoints(self) -> list[Checkpoint]:
        """Those that are due."""
        made = [live.checkpoint() for live in map(self.lives.get, self.due) if live is not None]
        self.due.clear()
        return [checkpoint for checkpoint in made if checkpoint is not None]

    def all_due(self) -> None:
        """The service stops: what moved since its last checkpoint gets one, so that the next start has nothing to fold."""
        self.due.update(battery_id for battery_id, live in self.lives.items() if live.since)

    # --- late

    def late(self) -> list[str]:
        """Batteries whose history holds more than their state does."""
        return sorted(self._late)

    def refold_due(self) -> bool:
        return bool(self._late)

    @staticmethod
    def too_late(live: Live, at_ms: int) -> bool:
        """So old that no checkpoint before it can be expected: it is kept, and the state stays as it is."""
        return live.newest[0] - at_ms > MOST_LATE_MS

    def keep_late(self, live: Live, reading: Reading, batch: Batch) -> None:
        """Keep a late reading now, with what little can be said; the refold judges it. It is not in history yet."""
        reading = on_the_grid(reading)
        about = Assessment(
            reading.battery_id, reading.at_ms, reading.voltage_v, reading.current_a, reading.temperature_c,
            None, None, None, "unknown", None, live.state.told,
        )  # fmt: skip
        if not self.too_late(live, reading.at_ms):
            self.mark_late(live, reading.at_ms, batch)
        batch.kept.append((reading, about))

    def mark_late(self, live: Live, at_ms: int, batch: Batch) -> None:
        """Checkpoints after this time are untrue from now on. Reads the store, once for a battery until its refold."""
        if live.refold_ms is not None and live.refold_ms <= at_ms:
            return
        battery_id = live.state.battery.id
        older = self.store.resume(battery_id, at_ms)
        live.refold_ms = at_ms
        self._late.add(battery_id)
        older_ms, state = (0, keep.dumps(begin(live.state.battery))) if older is None else older
        batch.checkpoints[:] = [c for c in batch.checkpoints if c.battery_id != battery_id]
        batch.checkpoints.append(Checkpoint(battery_id, older_ms, state))

    def judge_anew(self, battery_id: str, from_ms: int, batch: Batch) -> None:
        """Another declaration holds from this time on: what came since is folded again, as far back as checkpoints reach. Reads the store."""
        live = self.lives.get(battery_id)
        if live is not None and from_ms <= live.newest[0]:
            self.mark_late(live, max(from_ms, live.newest[0] - MOST_LATE_MS), batch)

    def refold(self, battery_id: str) -> Iterator[Batch]:
        """Fold the history again from before the earliest late input; each batch is to be committed. Reads the store.

        Nothing of the battery may be folded meanwhile. Only the last batch moves the live state.
        """
        old = self.lives[battery_id]
        assert old.refold_ms is not None
        from_ms = old.refold_ms
        live, begin_ms = self._from_checkpoint(old.state.battery, from_ms)
        batch, over = Batch(), self._over(battery_id)
        ended: set[str] = set()
        newest: Assessment | None = None
        for done in live.folded(self._inputs(battery_id, begin_ms)):
            live.since += 1
            if done.given.at_ms >= from_ms:
                if type(done.given) is Reading:
                    batch.refolded.append((done.given, done.outcome.assessment))
                ended |= _tell_late(done.events, batch, over)
                newest = done.outcome.assessment
            if live.since >= self._refold_part:
                made = live.checkpoint()
                if made is not None:
                    batch.checkpoints.append(made)
                yield batch
                batch = Batch()
        if newest is not None:  # of the last part only: what was believed on the way there is no news to anybody
            self._news(live, newest, batch)
        ended |= _tell_late(live.tick_to(old.ticked_ms + 1), batch, over)
        live.told = {**old.told, **standing(old.state)}
        self._compare(live, ended, batch)
        live.goes_on(old)
        made = live.checkpoint()
        if made is not None:
            batch.checkpoints.append(made)
        yield batch
        self.lives[battery_id] = live
        self._late.discard(battery_id)


def _tell_late(happened: Iterable[Outcome], batch: Batch, over: Mapping[str, int]) -> set[str]:
    """Events into the batch but for ends that were told already (`over`); the alerts that ended."""
    events = [event for outcome in happened for event in outcome.events]
    batch.late_events.extend(event for event in events if event.kind != "ended" or event.alert_id not in over)
    return {event.alert_id for event in events if event.kind == "ended"}
