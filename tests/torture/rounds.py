"""Rounds of torture: readings flow through a durable broker into a service that is killed again and again; then the books are checked."""

import json
import math
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from analytics import keep
from analytics.battery import Battery
from analytics.core import State, begin
from analytics.fold import fold
from analytics.reading import Reading, on_the_grid
from api.database import Database
from api.ledger import SqlLedger
from tests.brokers import DURABLE, Broker
from tests.torture.books import steps_of, wrong_in
from tests.torture.lazy_disk import all_synced, cut
from tests.torture.service import FileClock

BATTERIES = (
    Battery("heron", "agm", 60.0),
    Battery("robin", "flooded", 80.0, initial_state_of_charge_pct=90.0),
    Battery("swift", "lifepo4", 100.0, cells=4),
)
START_MS = 1_772_366_400_000
MINUTE = 60_000
WAITED = 0.7
"""Share of the kills that come after the first commit of a life; the others may come while it still starts."""
MOST_UNSURE = 90
"""Messages that the broker has not acknowledged yet; below its window, so that their order stays."""


@dataclass
class Tally:
    """What happened and what was found; `wrong` is empty if all is well."""

    rounds: int = 0
    kills: int = 0
    seed: int = 0
    sent: int = 0
    kept: int = 0
    events: int = 0
    overtaken: int = 0
    """Alerts that were told while the service was behind, and ended aloud when the readings came."""
    bytes_cut: int = 0
    wrong: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        verdict = "nothing lost, nothing twice, states equal the fold" if not self.wrong else "; ".join(self.wrong)
        lost = f", {self.bytes_cut} unsynced bytes thrown away" if self.bytes_cut else ""
        return f"seed {self.seed}: {self.kills} kills in {self.rounds} rounds{lost}; {self.sent} readings sent, {self.kept} kept, {self.events} alert events ({self.overtaken} told in a silence and overtaken): {verdict}"


class Zygote:
    """Forks services on demand."""

    def __init__(self, database: Path, port: int, clock: Path) -> None:
        command = [sys.executable, "-m", "tests.torture.service", str(database), str(port), str(clock)]
        self._log = database.parent / "service.log"
        with self._log.open("w") as log:
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, stderr=log)
        assert self._line() == "loaded"
        self.pid: int | None = None

    def _line(self) -> str:
        assert self._process.stdout is not None
        return self._process.stdout.readline().strip()

    def go(self, how: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(how + "\n")
        self._process.stdin.flush()
        self.pid = int(self._line())

    def listening(self, patience_s: float = 60.0) -> None:
        """Returns once the first service has subscribed: on a busy machine that takes longer than any fixed time."""
        end = time.monotonic() + patience_s
        while "source is open" not in self._log.read_text(encoding="utf-8"):
            assert time.monotonic() < end, "the service did not subscribe"
            time.sleep(0.02)

    def end(self, sign: int) -> int:
        """Send a signal and wait; gives the exit code."""
        assert self.pid is not None
        with suppress(ProcessLookupError):  # it ended by itself: its exit code will tell
            os.kill(self.pid, sign)
        self.pid = None
        return int(self._line())

    def close(self) -> None:
        if self.pid is not None:
            self.end(signal.SIGKILL)
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(120)
        assert self._process.stdout is not None
        self._process.stdout.close()


class Sender(threading.Thread):
    """Publishes a minute of readings of all batteries at a time, in time's order, and remembers what the broker acknowledged."""

    def __init__(self, port: int, clock: FileClock, rng: random.Random) -> None:
        super().__init__(daemon=True)
        self._clock, self._rng = clock, rng
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "sender", clean_session=False)
        self._client.max_inflight_messages_set(100)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self.sent: list[Reading] = []
        self.done = threading.Event()

    def run(self) -> None:
        unsure: deque[mqtt.MQTTMessageInfo] = deque()
        minute, volts = 0, dict.fromkeys((b.id for b in BATTERIES), 12.7)
        while not self.done.is_set():
            for battery in BATTERIES:
                # A load that comes and goes over days, so that warnings begin and end.
                amps = -9.0 + 11.0 * math.sin(minute / 300) + self._rng.gauss(0, 1)
                volts[battery.id] = min(14.4, max(10.8, volts[battery.id] + amps / 6000 + self._rng.gauss(0, 0.002)))
                reading = on_the_grid(
                    Reading(battery.id, START_MS + minute * MINUTE, volts[battery.id] + amps * 0.006, amps, 15.0, sequence=minute % 7)
                )
                payload = {"u": reading.voltage_v, "i": reading.current_a, "temp": 15.0, "t": reading.at_ms, "n": reading.sequence}
                unsure.append(self._client.publish(f"readings/{battery.id}", json.dumps(payload), 1))
                self.sent.append(reading)
            self._clock.set(START_MS + minute * MINUTE + 1000)
            while len(unsure) > MOST_UNSURE:
                unsure.popleft().wait_for_publish(30)
            minute += 1
        while unsure:
            unsure.popleft().wait_for_publish(30)

    def stop(self) -> None:
        self.done.set()
        self.join(30)
        self._client.disconnect()
        self._client.loop_stop()


def torture(folder: Path, rounds: int, seed: int, *, power_cut: bool, careless: bool = False, longest_s: float = 0.3) -> Tally:
    """Kill the service `rounds` times at random moments; with `power_cut` its disk also forgets what was not synced.

    `careless`: the database does not sync each commit, which must be found out.
    """
    how = "go careless" if careless else "go lazy" if power_cut else "go"
    rng = random.Random(seed)
    tally = Tally(seed=seed)
    database, clock_path = folder / "house.db", folder / "clock"
    clock_path.write_bytes(START_MS.to_bytes(8, "little") + bytes(8))
    clock = FileClock(clock_path)
    ledger = SqlLedger(Database(str(database)).open())
    for battery in BATTERIES:
        ledger.declare(battery, 0, "torture")
    ledger.database.close()
    all_synced(database)
    with Broker(folder, *DURABLE, "max_inflight_messages 100") as broker:
        zygote = Zygote(database, broker.port, clock_path)
        try:
            zygote.go(how)
            zygote.listening()  # the subscription must exist before the first message, or the broker owes us nothing
            sender = Sender(broker.port, clock, rng)
            sender.start()
            for _ in range(rounds):
                tally.rounds += 1
                if rng.random() < WAITED:
                    _committed(clock)
                time.sleep(rng.uniform(0.0, longest_s))
                code = zygote.end(signal.SIGKILL)
                tally.kills += code == -signal.SIGKILL
                if code != -signal.SIGKILL:
                    tally.wrong.append(f"the service ended by itself with {code}")
                if power_cut:
                    tally.bytes_cut += cut(database)
                zygote.go(how)
            sender.stop()
            _drained(database, len(sender.sent), 4.0 if careless else 60.0)
            code = zygote.end(signal.SIGTERM)
            if code != 0:
                tally.wrong.append(f"the service ended with {code}")
        finally:
            zygote.close()
    _check(database, sender.sent, tally)
    return tally


def _committed(clock: FileClock) -> None:
    """Wait for the first commit of this life."""
    before, end = clock.commits, time.monotonic() + 30
    while clock.commits == before and time.monotonic() < end:
        time.sleep(0.002)


def _drained(database: Path, count: int, patience_s: float = 60.0) -> None:
    """Wait until the service has kept everything, or nothing more comes."""
    ledger = SqlLedger(Database(str(database), checkpoints=False).open())
    end, before = time.monotonic() + patience_s, -1
    while time.monotonic() < end:
        kept = sum(1 for b in BATTERIES for _ in ledger.readings(b.id, 0))
        if kept >= count:
            break
        if kept != before:
            end, before = time.monotonic() + patience_s / 4, kept
        time.sleep(0.2)
    time.sleep(0.3)  # for a duplicate that might still come
    ledger.database.close()


def _check(database: Path, sent: list[Reading], tally: Tally) -> None:
    """History holds what was sent, once; the states are its fold; of alerts that was told which tests.torture.books allows."""
    ledger = SqlLedger(Database(str(database)).open())
    trouble = ledger.database.trouble()
    if trouble is not None:
        tally.wrong.append(f"the database is damaged: {trouble}")
    tally.sent = len(sent)
    expected = steps_of(())
    for battery in BATTERIES:
        of_it = [r for r in sent if r.battery_id == battery.id]
        kept = list(ledger.readings(battery.id, 0))
        tally.kept += len(kept)
        missing = set(of_it) - set(kept)
        if missing or len(kept) != len(of_it):
            tally.wrong.append(f"{battery.id}: {len(missing)} readings missing, {len(kept)} kept of {len(of_it)}")
        state = begin(battery)
        for state, _, outcome in fold(begin(battery), of_it):  # noqa: B007 - the last state is wanted
            expected.update(steps_of(outcome.events))
        resumed = ledger.resume(battery.id)
        if resumed is None or resumed[0] != kept[-1].at_ms:
            tally.wrong.append(f"{battery.id}: the newest checkpoint is not of the last reading")
        elif keep.dumps(kept_state := keep.loads(battery, resumed[1])) != keep.dumps(state):
            differing = [name for name in State._fields if name != "told" and getattr(kept_state, name) != getattr(state, name)]
            tally.wrong.append(f"{battery.id}: the kept state is not the fold of history in {', '.join(differing)}")
    told = [event for _, event, _ in ledger.events_to_tell(1_000_000)]
    tally.events = len(told)
    tally.overtaken = len({event.alert_id for event in told} - {alert_id for alert_id, _, _ in expected})
    tally.wrong += wrong_in(expected, told, sent[-1].at_ms)[:6]
    if ledger.quarantined():
        tally.wrong.append(f"{len(ledger.quarantined())} readings are still set apart")
    ledger.database.close()
