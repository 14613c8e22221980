"""The loop: what is acknowledged is kept, duplicates change nothing, late readings are folded at their own time, bad input harms only itself."""

import asyncio
import random
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics import keep
from analytics.batch import Batch
from analytics.core import State
from analytics.reading import Note, Reading
from ingest.inlet import Inlet, InletFull
from ingest.intake import TICK_EVERY_MS
from ingest.pipeline import Pipeline, PipelineSettings, Stopped, Store
from ingest.source import Delivery
from tests.fakes.clock import NOON_MS, HandClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import DECODERS, HERON, VAN, HandSource, folded, message, running, same, state_of, stores, until

pytestmark = pytest.mark.anyio
KINDS = pytest.mark.parametrize("kind", ["memory", "sqlite"])
MINUTE = 60_000


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


def history(store: Store, battery_id: str = "van7") -> list[Reading]:
    return list(store.readings(battery_id, 0))


@KINDS
async def test_what_is_acknowledged_is_kept(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """Readings are in history, the state of a restart equals the fold of history, and each delivery is acknowledged once."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    async with running(store, clock, source) as pipeline:
        for i in range(5):
            source.send(message(NOON_MS - 600_000 + i * MINUTE, 12.6 - i / 100, n=i))
        await until(lambda: len(source.acknowledged) == 5)
        assert [r.voltage_v for r in history(store)] == [12.6, 12.59, 12.58, 12.57, 12.56]
        assert pipeline.counters.kept == 5
    assert same(state_of(store, VAN), folded(VAN, history(store)))


@KINDS
async def test_nothing_is_acknowledged_before_it_is_kept_and_a_full_disk_passes(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """While commits fail nothing is acknowledged and the failure is said; once there is room everything is kept and acknowledged."""
    store, source = FailingStore(stores(tmp_path, kind, VAN)), HandSource(clock)
    async with running(store, clock, source) as pipeline:
        store.failures = 3
        source.send(message(NOON_MS - 2000, n=1))
        await until(lambda: pipeline.counters.commit_failures >= 1)
        source.send(message(NOON_MS - 1000, n=2))
        assert source.acknowledged == []
        assert "No space left" in pipeline.counters.last_failure
        assert pipeline.counters.failing_since_ms is not None
        await until(lambda: len(source.acknowledged) == 2)
        assert pipeline.counters.last_failure == ""
        assert len(history(store)) == 2


async def test_readings_wait_outside_while_the_store_takes_nothing(clock: HandClock) -> None:
    """Memory stays bounded: with a store that fails, only so many batches are taken from a source."""
    store, source = FailingStore(MemoryStore(VAN)), HandSource(clock)
    async with running(store, clock, source) as pipeline:
        store.failures = 4
        for i in range(500):
            source.send(message(NOON_MS - 500_000 + i * 1000, n=i))
        await until(lambda: pipeline.counters.commit_failures >= 2)
        assert pipeline.counters.deliveries + len(pipeline._inbox) <= 130
        await until(lambda: len(source.acknowledged) == 500, clock)
        assert len(history(store)) == 500


async def test_a_stop_with_a_dead_store_ends_and_acknowledges_nothing(clock: HandClock) -> None:
    """The service can be stopped while the disk is full; what was not kept was not acknowledged and will come again."""
    store, source = FailingStore(MemoryStore(VAN)), HandSource(clock)
    pipeline = Pipeline(store, DECODERS, clock)
    task = asyncio.create_task(pipeline.run([source]))
    await until(lambda: store.ready)
    store.failures = 10**9
    source.send(message(NOON_MS))
    await until(lambda: pipeline.counters.commit_failures >= 1)
    pipeline.stop()
    with pytest.raises(Stopped, match="did not take the last batch"):
        await asyncio.wait_for(task, 10)
    assert source.acknowledged == []


@KINDS
async def test_the_same_reading_twice_changes_nothing(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """Sent again at once, in the next batch, after newer ones and after a restart: counted as duplicates and acknowledged."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    times = [NOON_MS - 300_000 + i * MINUTE for i in range(4)]
    async with running(store, clock, source) as pipeline:
        source.send_all([message(times[0]), message(times[0]), message(times[1]), message(times[2]), message(times[1])])
        await until(lambda: len(source.acknowledged) == 5)
        source.send_all([message(times[0]), message(times[2])])
        await until(lambda: len(source.acknowledged) == 7)
        assert pipeline.counters.duplicates == 4
        assert pipeline.counters.late == 0
    before = [store.resume("van7"), history(store)]
    async with running(store, clock, source) as pipeline:
        source.send_all([message(t) for t in times[:3]])
        await until(lambda: len(source.acknowledged) == 10)
        assert pipeline.counters.duplicates == 3
    assert [store.resume("van7"), history(store)] == before


@KINDS
async def test_two_sensors_that_speak_in_the_same_millisecond_are_both_kept(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """What says something else is not the same reading: it is kept a millisecond later, live and late and after a restart; repetitions are not."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    times = [NOON_MS - 300_000 + i * MINUTE for i in range(3)]
    first, second = [message(t, 12.60) for t in times], [message(t, 12.52) for t in times]
    async with running(store, clock, source) as pipeline:
        source.send_all([first[0], second[0], first[1], first[2], second[2], first[2], second[2]])
        await until(lambda: len(source.acknowledged) == 7)
        assert [(r.at_ms - times[0], r.voltage_v) for r in history(store)] == [
            (0, 12.6), (1, 12.52), (MINUTE, 12.6), (2 * MINUTE, 12.6), (2 * MINUTE + 1, 12.52)
        ]  # fmt: skip
        assert pipeline.counters.duplicates == 2
    async with running(store, clock, source) as pipeline:
        source.send_all([second[1], second[1], *first, *second])
        await until(lambda: len(source.acknowledged) == 15)
        assert (pipeline.counters.late, pipeline.counters.duplicates) == (1, 7)
    assert [r.voltage_v for r in history(store)] == [12.6, 12.52] * 3


@KINDS
async def test_late_readings_are_folded_at_their_own_time(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """Readings that come after newer ones end up in history with their own assessment, and the state equals the in-order fold."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    rng = random.Random(5)
    rows = [(NOON_MS - 7_200_000 + i * 20_000, round(12.7 - i / 2000, 3), round(rng.uniform(-9, 3), 2)) for i in range(300)]
    late = rows[40:50] + rows[200:203]
    async with running(store, clock, source) as pipeline:
        source.send_all([message(*row) for row in rows if row not in late])
        await until(lambda: len(source.acknowledged) == 287)
        source.send_all([message(*row) for row in reversed(late)])
        await until(lambda: len(source.acknowledged) == 300)
        assert pipeline.counters.late == 13
        assert same(state_of(store, VAN), folded(VAN, history(store))), "already before the refold a restart would be right"
        await until(lambda: pipeline.counters.refolds == 1, clock)
        source.send(message(NOON_MS, 12.5))
        await until(lambda: len(source.acknowledged) == 301)
    assert len(history(store)) == 301
    assert pipeline.counters.refolds == 1, "late readings in company are folded together"
    assert same(state_of(store, VAN), folded(VAN, history(store)))
    if isinstance(store, MemoryStore):
        assert all(a.charge_phase != "unknown" or a.state_of_charge_pct is not None for _, a in store.history.values())


@given(
    order=st.permutations(range(14)),
    again=st.lists(st.integers(0, 13), max_size=5),
    cuts=st.sets(st.integers(1, 13), max_size=4),
    notes=st.lists(st.integers(0, 13), max_size=2, unique=True),
    seed=st.integers(0, 3),
)
@settings(max_examples=25, deadline=None)
def test_any_order_of_arrival_ends_in_the_same_state(
    order: list[int], again: list[int], cuts: set[int], notes: list[int], seed: int
) -> None:
    """Whatever the order, whatever comes twice, wherever a restart falls and notes stand: the closing state equals the in-order fold."""
    rng = random.Random(seed)
    gaps = [rng.choice([1000, 20_000, 60_000, 200_000] if notes else [1000, 60_000, 200_000, 1_200_000, 9_000_000]) for _ in range(14)]
    times = [NOON_MS - 10**8 + sum(gaps[: i + 1]) for i in range(14)]
    rows = [message(t, round(12.2 + rng.random(), 3), round(rng.uniform(-20, 20), 2)) for t in times]
    said = {i: Note("van7", times[i] + 5, "check", 12.5, "Ada") for i in notes}
    store = MemoryStore(VAN)
    arriving = [*order, *again]

    async def run() -> None:
        clock = HandClock()
        edges = [0, *sorted(cuts), len(arriving)]
        for begin, end in pairwise(edges):
            source = HandSource(clock)
            expected = 0
            async with running(store, clock, source):
                for i in arriving[begin:end]:
                    source.send(rows[i])
                    expected += 1
                    if i in said:
                        source.give(said[i])
                        expected += 1
                await until(lambda: len(source.acknowledged) == expected)  # noqa: B023

    asyncio.run(run())
    assert len(store.history) == 14
    assert len(store.noted) == len(said)
    assert same(state_of_notes(store), folded(VAN, history(store), list(said.values())))


def state_of_notes(store: MemoryStore) -> State:
    """The state of the newest checkpoint, which a clean stop leaves after the last input."""
    resumed = store.resume("van7")
    assert resumed is not None
    return keep.loads(VAN, resumed[1])


@KINDS
async def test_bad_input_harms_only_itself(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """Each kind of bad message is a dead letter with its reason, is acknowledged, and the next good reading is kept."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    bad: list[tuple[str, dict[str, Any], bytes, str]] = [
        ("json", {}, b'{"u": 12.5', "not JSON"),
        ("json", {}, b"\x00\xff\xfe\x80" * 50, "not JSON"),
        ("json", {}, b"7" * 10_000_000, "message too long"),
        ("json", {}, b'{"u": NaN}', "not JSON"),
        ("json", {}, b'{"u": 1e999}', "not JSON"),
        ("json", {}, b'{"u": "12.5"}', "voltage is not a number"),
        ("json", {}, b'{"u": true}', "voltage is not a number"),
        ("json", {"battery_id": "nobody"}, message(NOON_MS), "no such battery"),
        ("json", {"battery_id": None}, message(NOON_MS), "battery missing"),
        ("rfc", {}, b'{"u": 12.5, "at": "2026-03-01T11:00:00"}', "time without zone"),
        ("unheard-of", {}, b"12.5", "no such format"),
        ("lines", {}, b"12.5,abc", "current is not a number"),
    ]
    async with running(store, clock, source) as pipeline:
        for n, (format_name, more, payload, _) in enumerate(bad):
            source.send(payload, format_name=format_name, **more)
            source.send(message(NOON_MS - 100_000 + n * 1000))
        await until(lambda: len(source.acknowledged) == 2 * len(bad))
        assert len(history(store)) == len(bad)
        letters = store.dead_letters if isinstance(store, MemoryStore) else store.dead_letters()[::-1]  # type: ignore[attr-defined]
        assert [letter.reason for letter in letters] == [reason for *_, reason in bad]
        assert all(len(letter.raw) <= 4096 for letter in letters)
        assert sum(pipeline.counters.rejected.values()) == len(bad)


@KINDS
async def test_a_retained_message_is_no_reading(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """What a broker replays is counted and acknowledged, and nothing is kept of it."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    async with running(store, clock, source) as pipeline:
        source.send(message(NOON_MS - 5000), retained=True)
        source.send(message(NOON_MS))
        await until(lambda: len(source.acknowledged) == 2)
        assert pipeline.counters.retained == 1
        assert [r.at_ms for r in history(store)] == [NOON_MS]


async def test_a_decoder_with_a_bug_does_not_stop_the_others(clock: HandClock) -> None:
    """A decoder that raises costs its message; it is a dead letter, and other formats go on."""

    class Broken:
        def feed(self, data: bytes, received_ms: int) -> list[Any]:
            raise ZeroDivisionError

        def message(self, data: bytes, received_ms: int) -> list[Any]:
            raise ZeroDivisionError

        def end(self, received_ms: int) -> list[Any]:
            return []

    store, source = MemoryStore(VAN), HandSource(clock)
    pipeline = Pipeline(store, {**DECODERS, "broken": lambda _: Broken()}, clock)
    task = asyncio.create_task(pipeline.run([source]))
    source.send(b"x", format_name="broken")
    source.send(message(NOON_MS))
    await until(lambda: len(source.acknowledged) == 2)
    pipeline.stop()
    await task
    assert [d.reason for d in store.dead_letters] == ["decoder failed: ZeroDivisionError"]
    assert len(history(store)) == 1


async def test_a_stream_that_broke_leaves_nothing_to_the_next(clock: HandClock) -> None:
    """Half a line before an unplugging is cut off, not joined to what comes after it and not read as a number."""
    store, source = MemoryStore(VAN), HandSource(clock)
    async with running(store, clock, source):
        source.send(b"12.61,-1,18\n12.6", format_name="lines", whole=False, opened=True)
        clock.go(1000)
        source.send(b"\n12.59,-2,18\n", format_name="lines", whole=False, opened=True)
        await until(lambda: len(source.acknowledged) == 2)
    assert [r.voltage_v for r in history(store)] == [12.61, 12.59]
    assert [d.reason for d in store.dead_letters] == ["cut off"]


async def test_several_lines_of_one_piece_are_readings_of_their_own(clock: HandClock) -> None:
    """Lines without a time that arrive in one piece are dated one after the other, so none passes for a duplicate."""
    store, source = MemoryStore(VAN), HandSource(clock)
    async with running(store, clock, source):
        source.send(b"12.61\n12.62\n12.63\n", format_name="lines", whole=False)
        await until(lambda: len(source.acknowledged) == 1)
    assert [(r.at_ms - NOON_MS, r.voltage_v) for r in history(store)] == [(0, 12.61), (1, 12.62), (2, 12.63)]


@KINDS
async def test_notes_are_folded_in_their_place(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """A note of now and a note of an hour ago both end where they belong in the fold, and putting one twice changes nothing."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    times = [NOON_MS - 7_200_000 + i * 120_000 for i in range(60)]
    now, earlier = Note("van7", NOON_MS, "check", 12.55, "Ada"), Note("van7", NOON_MS - 3_600_000 + 7, "check", 12.7, "Ada")
    async with running(store, clock, source) as pipeline:
        source.send_all([message(t, 12.6, -0.5) for t in times])
        source.give(now)
        source.give(now)
        source.give(earlier)
        source.give(Note("nobody", NOON_MS, "check", 12.0))
        await until(lambda: len(source.acknowledged) == 64)
        assert pipeline.counters.notes == 2
        assert pipeline.counters.rejected["no such battery"] == 1
        await until(lambda: pipeline.counters.refolds == 1, clock)
    assert [n.at_ms for n in store.notes("van7")] == [earlier.at_ms, now.at_ms]
    resumed = store.resume("van7")
    assert resumed is not None
    assert resumed[0] == NOON_MS
    assert same(state_of(store, VAN), folded(VAN, history(store), [earlier, now]))


@KINDS
async def test_a_restart_goes_on_where_it_was(kind: str, tmp_path: Path, clock: HandClock) -> None:
    """Killed without a checkpoint or stopped with one, the next start has the same state and the same alerts."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    rows = [message(NOON_MS - 90_000_000 + i * 300_000, round(12.4 - i / 500, 3), -2.0) for i in range(250)]
    async with running(store, clock, source):
        source.send_all(rows[:100])
        await until(lambda: len(source.acknowledged) == 100)
    killed = Pipeline(store, DECODERS, clock)
    task = asyncio.create_task(killed.run([source]))
    source.send_all(rows[100:180])
    await until(lambda: len(source.acknowledged) == 180)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    async with running(store, clock, source):
        source.send_all(rows[180:])
        await until(lambda: len(source.acknowledged) == 250)
    assert same(state_of(store, VAN), folded(VAN, history(store)))
    if isinstance(store, MemoryStore):
        told = [(e.alert_id, e.kind) for e in [*store.events.values(), *store.late_events.values()]]
        assert len(told) == len(set(told)), "nothing is told twice"


async def test_a_silence_is_judged_by_the_clock_and_ends_with_the_next_reading(clock: HandClock) -> None:
    """Ticks come while nothing else does; a reading from within the silence takes them back, and the state equals the fold."""
    store, source = MemoryStore(VAN), HandSource(clock)
    async with running(store, clock, source):
        for _ in range(30):
            source.send(message(clock.wall_ms(), 12.6, -0.5))
            clock.go(MINUTE)
        await until(lambda: len(source.acknowledged) == 30)
        asked = clock.monotonic
        await until(lambda: clock.monotonic - asked > 40 * 3_600_000, clock, TICK_EVERY_MS * 7)
        await until(lambda: store.latest["van7"].at_ms > NOON_MS + 39 * 3_600_000 or not store.events, clock, TICK_EVERY_MS)
        source.send(message(NOON_MS + 20 * 3_600_000, 12.5, -0.5))
        source.send(message(clock.wall_ms(), 12.5, -0.5))
        await until(lambda: len(source.acknowledged) == 32)
    assert same(state_of(store, VAN), folded(VAN, history(store)))
    told = [*store.events.values(), *store.late_events.values()]
    began = {e.alert_id for e in told if e.kind == "began"}
    standing = {f"van7:{s.rule}:{s.began_ms}" for s in state_of(store, VAN).alerts.standing if s.began_ms is not None}
    assert began - {e.alert_id for e in told if e.kind == "ended"} == standing, "what was told and is not so any more was ended aloud"


@KINDS
@pytest.mark.parametrize("after_h", [1, 100])
async def test_a_silence_told_before_a_kill_ends_aloud_after_it(kind: str, after_h: int, tmp_path: Path, clock: HandClock) -> None:
    """Killed while a silence alert is open: a reading from within the silence, or the next one after it, leaves no alert open that does not hold."""
    store, source = stores(tmp_path, kind, VAN), HandSource(clock)
    killed = Pipeline(store, DECODERS, clock)
    task = asyncio.create_task(killed.run([source]))
    for i in range(30):
        source.send(message(NOON_MS + i * MINUTE, 12.6, -0.5))
        await until(lambda: len(source.acknowledged) == i + 1)  # noqa: B023
        clock.go(MINUTE)
    await until(lambda: store.alerts("van7", active=True), clock, TICK_EVERY_MS * 20)
    silent_since = clock.wall_ms()
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    assert [alert.rule for alert in store.alerts("van7", active=True)] == ["silence"]
    clock.go(200 * 3_600_000)
    async with running(store, clock, source):
        at_ms = NOON_MS + 30 * MINUTE if after_h == 1 else silent_since + after_h * 3_600_000
        apart = (silent_since + 3_600_000 - at_ms) // 60 if after_h == 1 else MINUTE
        for i in range(61):
            source.send(message(at_ms + i * apart, 12.6, -0.5))
            await until(lambda: len(source.acknowledged) == 31 + i)  # noqa: B023
        state = state_of(store, VAN)
        going_on = {f"van7:{s.rule}:{s.began_ms}" for s in state.alerts.standing if s.began_ms is not None}
        assert {alert.id for alert in store.alerts("van7", active=True)} == going_on
    assert same(state_of(store, VAN), folded(VAN, history(store)))


async def test_a_battery_declared_while_running_is_heard_at_once(clock: HandClock) -> None:
    """A message of an unknown battery is a dead letter; once it is declared its readings are kept, and a new declaration takes effect."""
    store, source = MemoryStore(VAN), HandSource(clock)
    async with running(store, clock, source) as pipeline:
        source.send(message(NOON_MS), battery_id="heron")
        await until(lambda: len(source.acknowledged) == 1)
        store.declared["heron"] = HERON
        pipeline.declared("heron")
        source.send(message(NOON_MS + 1000), battery_id="heron")
        await until(lambda: len(source.acknowledged) == 2)
        assert len(history(store, "heron")) == 1
        store.declared["van7"] = type(VAN)("van7", "agm", 220.0)
        source.send(message(NOON_MS))
        pipeline.declared("van7")
        await until(lambda: len(source.acknowledged) == 3)
        source.send(message(NOON_MS + 3_600_000 - MINUTE, 12.4, -20.0))
        clock.go(3_600_000)
        await until(lambda: len(source.acknowledged) == 4)
    assert store.resume("van7") is not None


async def test_a_changed_capacity_is_folded_again_from_the_chosen_time(clock: HandClock) -> None:
    """Declared anew from the first reading on, the state equals the fold of the whole history with the new capacity."""
    store, source = MemoryStore(VAN), HandSource(clock)
    bigger = type(VAN)("van7", "agm", 220.0)
    async with running(store, clock, source) as pipeline:
        for i in range(40):
            source.send(message(NOON_MS + i * MINUTE, 12.6 - 0.01 * i, -20.0))
            clock.go(MINUTE)
            await until(lambda: len(source.acknowledged) == i + 1)  # noqa: B023
        store.declared["van7"] = bigger
        pipeline.declared("van7", NOON_MS)
        clock.go(MINUTE)
        await until(lambda: pipeline.counters.refolds == 1 or not clock.go(1000))
    assert len(history(store)) == 40
    assert same(state_of(store, bigger), folded(bigger, history(store)))
    assert not same(state_of(store, bigger), folded(VAN, history(store)))


async def test_the_inlet_answers_once_it_is_on_disk(clock: HandClock) -> None:
    """Awaiting `put` returns after the commit with what became of each piece; a flood is refused."""
    store, inlet = MemoryStore(VAN), Inlet(clock)
    batches: list[Batch] = []
    async with running(store, clock, inlet, told=batches.append):
        payload = b"[" + b",".join([message(NOON_MS - 1000), message(NOON_MS - 1000), message(NOON_MS)]) + b"]"
        receipt = await asyncio.wait_for(inlet.put("van7", "json", payload), 10)
        assert (receipt.kept, receipt.duplicates, receipt.rejected) == (2, 1, [])
        receipt = await asyncio.wait_for(inlet.put("van7", "json", b"[3]"), 10)
        assert receipt.rejected == ["not a JSON object"]
        receipt = await asyncio.wait_for(inlet.note(Note("van7", NOON_MS + 1, "mode", "stored", "Ada")), 10)
        assert receipt.kept == 1
        assert len(history(store)) == 2
        assert len(store.noted) == 1
    assert sum(len(b.kept) for b in batches) == 2
    flood = [asyncio.create_task(inlet.put("van7", "json", b"[]")) for _ in range(10_001)]
    with pytest.raises(InletFull, match="try again"):
        await flood[-1]
    for task in flood:
        task.cancel()
    await asyncio.gather(*flood, return_exceptions=True)


async def test_commits_are_made_by_time_and_by_count(clock: HandClock) -> None:
    """Few readings wait for the time, many are committed at once; a source that has all it may in flight is not kept waiting."""
    store, source = MemoryStore(VAN), HandSource(clock, in_flight=None)
    async with running(store, clock, source, settings=PipelineSettings(commit_every_s=5, commit_readings=10)) as pipeline:
        source.send(message(NOON_MS - 90_000))
        await until(lambda: pipeline.counters.deliveries == 1)
        await asyncio.sleep(0.05)
        assert source.acknowledged == []
        clock.go(5000)
        await until(lambda: len(source.acknowledged) == 1)
        source.send_all([message(NOON_MS - 60_000 + i * 1000) for i in range(10)])
        await until(lambda: len(source.acknowledged) == 11)
        source.in_flight = 2
        source.send_all([message(NOON_MS - 10_000 + i) for i in range(2)])
        await until(lambda: len(source.acknowledged) == 13)


class FailingStore:
    """Another store, of which the next `failures` commits fail as on a full disk."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self.failures = 0
        self.ready = False

    def commit(self, batch: Batch) -> None:
        if self.failures > 0:
            self.failures -= 1
            raise OSError(28, "No space left on device")
        self._store.commit(batch)

    def batteries(self) -> Any:
        self.ready = True
        return self._store.batteries()

    def __getattr__(self, name: str) -> Callable[..., Any]:
        found: Callable[..., Any] = getattr(self._store, name)
        return found


def test_a_delivery_names_where_it_came_from() -> None:
    """Dead letters can be traced: the name of the source stands in each delivery."""
    assert Delivery("serial:/dev/x", None, "json", b"", 0, 0).source == "serial:/dev/x"
