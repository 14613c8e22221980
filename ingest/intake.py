"""What becomes of each delivery until the commit: decoded, dated, folded; or rejected, quarantined, late. Fills the batch.

It neither waits nor commits: the loop (ingest.pipeline) does, and calls the methods that read the store in the store's thread.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence

import structlog

from analytics.batch import Batch, DeadLetter, Quarantined
from analytics.reading import Note, Reading, on_the_grid
from ingest.clock import Clock, Steady
from ingest.counters import Counters
from ingest.dating import AHEAD_MS, FIRST_BELIEVABLE_MS, Dating
from ingest.decoder import Decoder, Rejected
from ingest.folding import MOST_LATE_MS, Folding
from ingest.lives import Live, same_sample
from ingest.source import Delivery, Receipt
from ingest.wrong_clock import Found, WrongClocks

LOG = structlog.get_logger("ingest")

TICK_EVERY_MS = 60_000
TICK_GRACE_MS = 5_000
"""Judgement: a reading on its way for five seconds is not yet missing."""
CATCHING_UP_MS = 600_000
"""Judgement: while a backlog comes in, the next piece of it follows within ten minutes; only then a battery is silent by the clock."""
UNKNOWN_AGAIN_MS = 60_000
MOST_UNKNOWN = 10_000
FORESEEN_AT_ONCE = 100
MOST_STREAMS = 50_000
BESIDE_MS = 8
"""Judgement: nobody has more than a handful of sensors on one battery."""
CLOSE_MS = 600_000
"""Judgement: known readings so close together are read in one go."""

Decoders = Mapping[str, Callable[[str | None], Decoder]]
"""Name in the settings' formats → battery id → a fresh decoder."""
Decoded = Sequence[Reading | Note | Rejected]


class Intake:
    """One batch in the making."""

    def __init__(self, folding: Folding, decoders: Decoders, clock: Clock, counters: Counters, ahead_ms: int = AHEAD_MS) -> None:
        self.batch = Batch()
        self.late: list[tuple[Reading, str, Receipt | None]] = []
        """Readings that are not newer than all before: late or known, which only the store can tell."""
        self.folding, self.counters = folding, counters
        self.dating, self.clocks = Dating(clock.boot_id, ahead_ms), WrongClocks(MOST_LATE_MS, ahead_ms)
        self._ahead_ms = ahead_ms
        self._decoders, self._clock, self._steady = decoders, clock, Steady(clock)
        self._streams: dict[tuple[str, str | None, str], Decoder] = {}
        self._unknown: dict[str, int] = {}
        self._ticked_ms = self._began_ms = clock.monotonic_ms()

    # --- decoding

    def decode(self, delivery: Delivery) -> Decoded:
        """What a delivery holds. A decoder never raises; should one do so all the same, the message is set aside, not the loop."""
        if delivery.given:
            return delivery.given
        if delivery.retained:
            self.counters.retained += 1
            return ()
        key = (delivery.source, delivery.battery_id, delivery.format)
        decoder = self._streams.get(key)
        if decoder is None:
            make = self._decoders.get(delivery.format)
            if make is None:
                return (Rejected("no such format", delivery.payload[:4096]),)
            if len(self._streams) >= MOST_STREAMS:
                self._streams.clear()
            decoder = self._streams[key] = make(delivery.battery_id)
        received_ms = delivery.received_ms
        try:
            if delivery.whole:
                return decoder.message(delivery.payload, received_ms)
            cut = [_cut_off(result) for result in decoder.end(received_ms)] if delivery.opened else []
            results = decoder.feed(delivery.payload, received_ms)
            return [*cut, *results, *(decoder.end(received_ms) if delivery.ended else ())]
        except Exception as e:  # a bug in one decoder must not stop the others
            del self._streams[key]
            return (Rejected(f"decoder failed: {type(e).__name__}", delivery.payload[:4096]),)

    def strangers(self, decoded: Sequence[tuple[Delivery, Decoded]]) -> list[str]:
        """Batteries that are not loaded and that are worth asking the store for."""
        lives, unknown = self.folding.lives, self._unknown
        fresh = {r.battery_id for _, results in decoded for r in results if not isinstance(r, Rejected) and r.battery_id not in lives}
        if not fresh:
            return []
        now_ms = self._clock.monotonic_ms()
        return [i for i in sorted(fresh) if now_ms - unknown.get(i, -UNKNOWN_AGAIN_MS) >= UNKNOWN_AGAIN_MS]

    def load(self, battery_ids: Sequence[str]) -> None:
        """Reads the store, in larger parts where it can read ahead."""
        foresee = getattr(self.folding.store, "foresee", None)
        for nth, battery_id in enumerate(battery_ids):
            if foresee is not None and nth % FORESEEN_AT_ONCE == 0:
                foresee(battery_ids[nth : nth + FORESEEN_AT_ONCE])
            live = self.folding.load(battery_id, self.batch)
            if live is not None:
                self.clocks.learn(battery_id, live.state.sensors.clock)
            else:
                if len(self._unknown) >= MOST_UNKNOWN:
                    self._unknown.clear()
                self._unknown[battery_id] = self._clock.monotonic_ms()

    def declared(self, battery_id: str) -> None:
        self._unknown.pop(battery_id, None)

    # --- dating and folding

    def take(self, decoded: Sequence[tuple[Delivery, Decoded]]) -> list[tuple[Note, Delivery]]:
        """Date and fold; notes are given back, since folding one may read the store."""
        notes: list[tuple[Note, Delivery]] = []
        now_ms, monotonic_ms, trusted = self._steady.now_ms(), self._clock.monotonic_ms(), self._clock.trusted()
        boot_ms = now_ms - monotonic_ms
        for delivery, results in decoded:
            nth = 0
            for result in results:
                if type(result) is Reading:
                    self._read(result, delivery, boot_ms + delivery.monotonic_ms, nth, trusted)
                    nth += 1
                elif type(result) is Rejected:
                    self._reject(result.reason, result.raw, delivery)
                elif type(result) is Note:
                    notes.append((result, delivery))
        self.counters.deliveries += len(decoded)
        return notes

    def _read(self, reading: Reading, delivery: Delivery, then_ms: int, nth: int, trusted: bool) -> None:
        live = self.folding.lives.get(reading.battery_id)
        if live is None:
            self._reject("no such battery", delivery.payload or repr(reading).encode(), delivery)
            return
        received_ms, found = delivery.received_ms, None
        oldest_ms = max(FIRST_BELIEVABLE_MS, live.newest[0] - MOST_LATE_MS)
        if (
            (not oldest_ms <= reading.at_ms <= then_ms + self._ahead_ms or reading.battery_id in self.clocks.known)
            and trusted
            and reading.at_ms != received_ms
        ):
            seen = self._steady.unstepped(live.heard_ms)
            reading, found = self.clocks.judge(reading, delivery.source, then_ms, delivery.monotonic_ms, oldest_ms, seen=seen)
        at_ms = reading.at_ms
        if at_ms == received_ms or reading.boot_id is not None or not FIRST_BELIEVABLE_MS <= at_ms <= then_ms + self._ahead_ms:
            dated = self.dating.judge(reading, received_ms, delivery.monotonic_ms, then_ms, trusted=trusted)
            if type(dated) is Quarantined:
                self._quarantine(dated, delivery)
                return
            assert type(dated) is Reading
            # Several readings of one piece of a stream were taken one after the other.
            spread = nth and at_ms == received_ms and not delivery.whole
            reading = dated._replace(at_ms=dated.at_ms + nth) if spread else dated
        if (
            live.last is not None
            and live.newest == (reading.at_ms, 0, reading.sequence)
            and not same_sample(on_the_grid(reading), live.last)
        ):
            reading = reading._replace(at_ms=reading.at_ms + 1)  # a second sensor, in the same millisecond
        receipt = delivery.token if type(delivery.token) is Receipt else None
        try:
            new = self.folding.fold(live, reading, self.batch, then_ms)
        except Exception as e:  # a mistake in a rule must not stop the others, nor come back with every start
            LOG.exception("a reading could not be judged", battery=reading.battery_id, reading=repr(reading))
            self._reject(f"could not be judged: {type(e).__name__}", delivery.payload or repr(reading).encode(), delivery)
            return
        if found is not None:
            self._found(live, found, delivery.source, then_ms)
        if not new:
            self.late.append((reading, delivery.source, receipt))
            return
        live.heard_ms, live.lag_ms = delivery.monotonic_ms, max(0, then_ms - reading.at_ms)
        if receipt is not None:
            receipt.kept += 1

    def _found(self, live: Live, found: Found, source: str, then_ms: int) -> None:
        """That a sender's clock is wrong, or right again, is folded like a note: so it is kept, and a replay repeats it."""
        newest = live.newest
        note = Note(live.state.battery.id, newest[0] + newest[1], "clock", found.off_ms, source)
        self.counters.notes += self.folding.note(live, note, self.batch, then_ms)
        self.clocks.learn(note.battery_id, live.state.sensors.clock)

    def note(self, note: Note, delivery: Delivery) -> None:
        """Reads the store."""
        live = self.folding.lives.get(note.battery_id)
        if live is None:
            self._reject("no such battery", repr(note).encode(), delivery)
            return
        new = self.folding.note(live, note, self.batch, self._steady.now_ms())
        self.counters.notes += new
        if type(delivery.token) is Receipt:
            delivery.token.kept += new
            delivery.token.duplicates += not new

    def _reject(self, reason: str, raw: bytes, delivery: Delivery) -> None:
        self.counters.rejected[reason] += 1
        self.batch.dead_letters.append(DeadLetter(delivery.received_ms, delivery.source, reason, raw[:4096]))
        if type(delivery.token) is Receipt:
            delivery.token.rejected.append(reason)

    def _quarantine(self, apart: Quarantined, delivery: Delivery) -> None:
        self.dating.set_apart(apart)
        self.batch.quarantined.append(apart)
        self.counters.quarantined[apart.reason] += 1
        if type(delivery.token) is Receipt:
            delivery.token.quarantined += 1

    # --- time

    def look(self) -> None:
        """What time alone brings: readings out of quarantine, and ticks for silent batteries."""
        now_ms, monotonic_ms, trusted = self._steady.now_ms(), self._clock.monotonic_ms(), self._clock.trusted()
        self.counters.clock_steps = self._steady.steps
        if self.dating.apart:
            for apart, reading in self.dating.due(now_ms, monotonic_ms, trusted=trusted, redated=self.clocks.dated):
                live = self.folding.lives.get(reading.battery_id)
                if live is None:
                    continue
                self.batch.released.append(apart)
                self.counters.released += 1
                if not self.folding.fold(live, reading, self.batch, now_ms):
                    self.late.append((reading, "quarantine", None))
        if trusted and monotonic_ms - self._ticked_ms >= TICK_EVERY_MS:
            self._ticked_ms = monotonic_ms
            for live in self.folding.lives.values():
                self.folding.tick(live, now_ms - TICK_GRACE_MS - self._behind_ms(live, now_ms, monotonic_ms), self.batch)

    def _behind_ms(self, live: Live, now_ms: int, monotonic_ms: int) -> int:
        """By how much a battery's readings lag behind the clock: after a time offline they come in late, and it is not silent meanwhile."""
        since_ms = monotonic_ms - (self._began_ms if live.heard_ms is None else live.heard_ms)
        if since_ms >= CATCHING_UP_MS:
            return 0
        return live.lag_ms if live.heard_ms is not None else max(0, now_ms - live.newest[0])

    # --- late

    def sort_late(self) -> None:
        """Tell late readings from known ones; keep the late. Reads the store; may be called again if it fails."""
        if not self.late:
            return
        batteries = {reading.battery_id for reading, _, _ in self.late}
        kept = [r for r, _ in self.batch.kept if r.battery_id in batteries]
        known = self.folding.store.has([(r.battery_id, r.at_ms, r.sequence) for r, _, _ in self.late])
        known |= {(r.battery_id, r.at_ms, r.sequence) for r in kept}
        there = self._there(known, kept)
        while self.late:
            reading, source, receipt = self.late[-1]
            new = (reading.battery_id, reading.at_ms, reading.sequence) not in known
            if not new:
                reading, new = _beside(reading, there)
            if new:
                self.folding.keep_late(self.folding.lives[reading.battery_id], reading, self.batch)
                known.add((reading.battery_id, reading.at_ms, reading.sequence))
                there[reading.battery_id, reading.at_ms].append(on_the_grid(reading))
                self.counters.late += 1
                self.counters.late_by_source[source] += 1
            else:
                self.counters.duplicates += 1
            if receipt is not None:
                receipt.kept += new
                receipt.duplicates += not new
            self.late.pop()

    def _there(self, known: set[tuple[str, int, int]], kept: list[Reading]) -> dict[tuple[str, int], list[Reading]]:
        """What is there, in the store and in this batch, at and just after the times of known readings. A reconnect brings hundreds of
        them, one after the other, so stretches are read and not single readings."""
        there: dict[tuple[str, int], list[Reading]] = defaultdict(list)
        for reading in kept:
            there[reading.battery_id, reading.at_ms].append(reading)
        times: dict[str, set[int]] = defaultdict(set)
        for reading, _, _ in self.late:
            if (reading.battery_id, reading.at_ms, reading.sequence) in known:
                times[reading.battery_id].add(reading.at_ms)
        for battery_id, found in times.items():
            for begin_ms, end_ms in _stretches(sorted(found)):
                for reading in self.folding.store.readings(battery_id, begin_ms, end_ms + BESIDE_MS):
                    there[battery_id, reading.at_ms].append(reading)
        return there


def _stretches(times: list[int]) -> list[tuple[int, int]]:
    """First and last of the times that lie close together."""
    found: list[tuple[int, int]] = []
    for ms in times:
        if found and ms - found[-1][1] <= CLOSE_MS:
            found[-1] = (found[-1][0], ms)
        else:
            found.append((ms, ms))
    return found


def _beside(reading: Reading, there: dict[tuple[str, int], list[Reading]]) -> tuple[Reading, bool]:
    """A reading whose time and number are known: the same again (False), or what a second sensor said in that millisecond, which is
    then to be kept beside it, a millisecond or a few later."""
    rounded, battery_id, at_ms = on_the_grid(reading), reading.battery_id, reading.at_ms
    for ms in range(at_ms, at_ms + BESIDE_MS):
        here = there.get((battery_id, ms), [])
        if any(same_sample(rounded, r) for r in here):
            return reading, False
        if all(r.sequence != reading.sequence for r in here):
            return reading._replace(at_ms=ms), True
    return reading, False


def _cut_off(result: Reading | Rejected) -> Rejected:
    """What a stream left unfinished when it broke: half a number can pass for a whole one, so it is no reading."""
    return Rejected("cut off", result.raw if type(result) is Rejected else repr(result).encode())
