"""Ledger and history against a model, through any sequence of commits, late readings, failures, restarts, roll-ups and acts."""

import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from analytics.assessment import AlertEvent, Assessment, Details, Finding
from analytics.batch import Batch, Checkpoint, DeadLetter, Quarantined
from analytics.reading import Note, Reading
from api import rollup
from api.acts import ActRefused, state_of
from api.database import Database
from api.ledger import SqlLedger

T0, HOUR = 1_790_000_000_000 // 86_400_000 * 86_400_000, 3_600_000
BATTERIES = st.sampled_from(["a", "b"])
TIMES = st.integers(0, 400).map(lambda n: n * 600_000)
KEYS = st.lists(st.tuples(BATTERIES, TIMES, st.integers(0, 1), st.integers(11_000, 14_000)), max_size=12)
DETAILS = Details(0)
FINDING = Finding("low_voltage", "medium", "Low", "s", "m", "a", "", (), "test")


class LedgerAgainstModel(RuleBasedStateMachine):
    """The model is a handful of dicts; whatever it says, the database must say too, also after it was closed and opened."""

    @initialize()
    def begin(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="restvolt-model-"))
        self.database = Database(str(self.folder / "x.db"), synchronous="NORMAL").open()
        self.ledger = SqlLedger(self.database)
        self.readings: dict[str, dict[tuple[int, int], int]] = {"a": {}, "b": {}}
        self.checkpoints: dict[str, dict[int, bytes]] = {"a": {}, "b": {}}
        self.newest: dict[str, tuple[int, bytes]] = {}
        self.notes: dict[tuple[str, int, str], object] = {}
        self.alerts: dict[str, list[int | None]] = {}
        self.apart: set[tuple[str, int]] = set()
        self.latest: dict[str, int] = {}
        self.letters = 0

    def teardown(self) -> None:
        if hasattr(self, "database"):
            self.database.close()
            shutil.rmtree(self.folder)

    def pairs(self, keys: list[tuple[str, int, int, int]]) -> list[tuple[Reading, Assessment]]:
        made = []
        for battery_id, at, sequence, mv in keys:
            about = Assessment(battery_id, T0 + at, mv / 1000, None, None, 50.0, 40.0, 60.0, "resting", None, DETAILS)
            made.append((Reading(battery_id, T0 + at, mv / 1000, sequence=sequence), about))
        return made

    @rule(keys=KEYS, kept_state=st.binary(min_size=1, max_size=8))
    def commit(self, keys: list[tuple[str, int, int, int]], kept_state: bytes) -> None:
        """Readings in any order, known ones among them, with a checkpoint at the newest of each battery."""
        checkpoints = []
        for battery_id in {k[0] for k in keys}:
            newest = max(at for b, at, _, _ in keys if b == battery_id)
            checkpoints.append(Checkpoint(battery_id, T0 + newest, kept_state))
        latest = {c.battery_id: self.pairs([(c.battery_id, c.at_ms - T0, 0, 12_000)])[0][1] for c in checkpoints}
        self.ledger.commit(Batch(kept=self.pairs(keys), checkpoints=checkpoints, news=latest))
        for battery_id, at, sequence, mv in keys:
            self.readings[battery_id].setdefault((T0 + at, sequence), mv)
        for c in checkpoints:
            earliest = min(T0 + at for b, at, _, _ in keys if b == c.battery_id)
            self.checkpoints[c.battery_id] = {at: s for at, s in self.checkpoints[c.battery_id].items() if at < earliest}
            self.checkpoints[c.battery_id][c.at_ms] = c.state
            self.newest[c.battery_id] = (c.at_ms, c.state)
            self.latest[c.battery_id] = max(c.at_ms, self.latest.get(c.battery_id, 0))

    @rule(keys=KEYS.filter(bool))
    def fail(self, keys: list[tuple[str, int, int, int]]) -> None:
        """A batch with something impossible in it leaves no trace."""
        bad = Batch(kept=self.pairs(keys), dead_letters=[DeadLetter(T0, "s", "r", None)])  # type: ignore[arg-type]
        bad.events.append(AlertEvent(f"a:low_voltage:{T0 - 1}", "a", "low_voltage", "began", T0 - 1, "medium", "r", FINDING))
        with pytest.raises(TypeError):
            self.ledger.commit(bad)

    @rule(battery_id=BATTERIES, at=TIMES, kind=st.sampled_from(["check", "mode"]), value=st.one_of(st.floats(11, 14), st.just("stored")))
    def note(self, battery_id: str, at: int, kind: str, value: float | str) -> None:
        """A person's note, kept once by time and kind."""
        self.ledger.commit(Batch(notes=[Note(battery_id, T0 + at, kind, value, "Ana")]))
        self.notes.setdefault((battery_id, T0 + at, kind), value)
        self.checkpoints[battery_id] = {t: s for t, s in self.checkpoints[battery_id].items() if t < T0 + at}

    @rule(battery_id=BATTERIES, began=st.integers(0, 3), kind=st.sampled_from(["began", "worsened", "ended"]))
    def happen(self, battery_id: str, began: int, kind: str) -> None:
        """Steps in the lives of a few alerts, again and again."""
        alert_id = f"{battery_id}:low_voltage:{T0 + began}"
        if kind != "began" and alert_id not in self.alerts:
            return
        at = T0 + began + {"began": 0, "worsened": 10, "ended": 20}[kind]
        self.ledger.commit(Batch(events=[AlertEvent(alert_id, battery_id, "low_voltage", kind, at, "high", "r", FINDING)]))
        known = self.alerts.setdefault(alert_id, [None, None, None])
        if kind == "worsened" and known[2] is None:
            known[1], known[2] = None, at
        elif kind == "ended":
            known[0] = at

    @precondition(lambda self: self.alerts)
    @rule(data=st.data(), shelve=st.booleans())
    def act(self, data: st.DataObject, shelve: bool) -> None:
        """Somebody acknowledges or shelves."""
        alert_id = data.draw(st.sampled_from(sorted(self.alerts)))
        known = self.alerts[alert_id]
        if shelve:
            try:
                self.ledger.shelve(alert_id, T0 + 30, T0 + HOUR, "Ana", "why")
            except ActRefused:
                assert None not in known[:2]
        else:
            self.ledger.acknowledge(alert_id, T0 + 30, "Ana")
            known[1] = known[1] or T0 + 30

    @rule(battery_id=BATTERIES, at=TIMES, release=st.booleans())
    def quarantine(self, battery_id: str, at: int, release: bool) -> None:
        """Set a reading apart, or release it into history."""
        reading = Reading(battery_id, T0 + at, 12.0, sequence=9)
        if not release:
            self.ledger.commit(Batch(quarantined=[Quarantined(reading, T0, "future")]))
            self.apart.add((battery_id, at))
        elif (battery_id, at) in self.apart:
            self.commit([(battery_id, at, 9, 12_000)], b"r")
            self.ledger.commit(Batch(released=[reading]))
            self.apart.remove((battery_id, at))

    @rule(junk=st.binary(max_size=20))
    def reject(self, junk: bytes) -> None:
        """Bytes that are no reading."""
        self.ledger.commit(Batch(dead_letters=[DeadLetter(T0, "s", "r", junk)]))
        self.letters += 1

    @rule()
    def restart(self) -> None:
        """Close and open; what the process remembered is gone."""
        self.database.close()
        self.database = Database(str(self.folder / "x.db"), synchronous="NORMAL").open()
        self.ledger = SqlLedger(self.database)

    @rule(hours=st.integers(0, 80))
    def roll(self, hours: int) -> None:
        """Roll up what is over by then."""
        rollup.roll(self.database, T0 + hours * HOUR)

    @invariant()
    def history_is_the_models(self) -> None:
        if not hasattr(self, "readings"):
            return
        for battery_id, known in self.readings.items():
            expected = [Reading(battery_id, at, mv / 1000, sequence=sequence) for (at, sequence), mv in sorted(known.items())]
            assert list(self.ledger.readings(battery_id, 0)) == expected
            if expected:
                whole = self.ledger.history.read(battery_id, T0, T0 + 100 * HOUR, 5)
                least = min(v for v in whole.values["voltage_v_min" if whole.every_ms else "voltage_v"] if v is not None)
                assert least == min(known.values()) / 1000
                assert self.ledger.history.last_ms(battery_id) == expected[-1].at_ms
            assert self.ledger.has([(battery_id, r.at_ms, r.sequence) for r in expected]) == {
                (battery_id, r.at_ms, r.sequence) for r in expected
            }

    @invariant()
    def checkpoints_are_true(self) -> None:
        """The newest is the one committed last; an older one is one that was committed and is not outdated by something late."""
        if not hasattr(self, "newest"):
            return
        for battery_id in ("a", "b"):
            assert self.ledger.resume(battery_id) == self.newest.get(battery_id)
            if battery_id in self.newest:
                found = self.ledger.resume(battery_id, self.newest[battery_id][0])
                if found is not None:
                    assert found[0] < self.newest[battery_id][0]
                    assert self.checkpoints[battery_id].get(found[0]) == found[1]

    @invariant()
    def alerts_are_the_models(self) -> None:
        if not hasattr(self, "alerts"):
            return
        found = {alert.id: alert.state for alert in self.ledger.alerts(limit=1000)}
        assert found == {alert_id: state_of(ended, acknowledged) for alert_id, (ended, acknowledged, _) in self.alerts.items()}
        for alert_id in found:
            kinds = [a.kind for a in self.ledger.acts(alert_id) if a.who == "restvolt"]
            assert len(kinds) == len(set(kinds))

    @invariant()
    def the_rest_is_the_models(self) -> None:
        if not hasattr(self, "notes"):
            return
        for battery_id in ("a", "b"):
            notes = {(n.at_ms, n.kind): n.value for n in self.ledger.notes(battery_id)}
            assert notes == {(at, kind): value for (b, at, kind), value in self.notes.items() if b == battery_id}
            latest = self.ledger.latest(battery_id)
            assert (None if latest is None else latest.at_ms) == self.latest.get(battery_id)
        assert {(q.reading.battery_id, q.reading.at_ms - T0) for q in self.ledger.quarantined()} == self.apart
        assert len(self.ledger.dead_letters(1000)) == self.letters


TestLedgerAgainstModel = LedgerAgainstModel.TestCase
TestLedgerAgainstModel.settings = settings(
    max_examples=20, stateful_step_count=20, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much]
)
