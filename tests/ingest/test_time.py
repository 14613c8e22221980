"""Time in the whole loop: no clock at boot, the future, steps backwards, leap seconds, two gateways that disagree."""

from pathlib import Path

import pytest

from analytics.assessment import AlertEvent
from analytics.batch import Batch
from ingest.formats.times import rfc3339_ms
from tests.fakes.clock import NOON_MS, HandClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import HERON, VAN, HandSource, folded, message, running, same, state_of, stores, until

pytestmark = pytest.mark.anyio
KINDS = pytest.mark.parametrize("kind", ["memory", "sqlite"])
HOUR = 3_600_000


@KINDS
async def test_a_reading_of_2099_is_set_apart_and_the_next_is_kept(kind: str, tmp_path: Path) -> None:
    """The future one is quarantined, acknowledged and survives a restart; it spoils neither history nor state."""
    clock, store = HandClock(), stores(tmp_path, kind, VAN)
    source = HandSource(clock)
    async with running(store, clock, source) as pipeline:
        source.send(message(4_070_908_800_000))
        source.send(message(NOON_MS))
        await until(lambda: len(source.acknowledged) == 2)
        assert pipeline.counters.quarantined == {"future": 1}
    assert [r.at_ms for r in store.readings("van7", 0)] == [NOON_MS]
    assert [q.reason for q in store.quarantined()] == ["future"]
    async with running(store, clock, source):
        source.send(message(NOON_MS + 1000))
        await until(lambda: len(source.acknowledged) == 3)
    assert len(store.quarantined()) == 1


@KINDS
async def test_the_future_is_released_when_its_time_has_come(kind: str, tmp_path: Path) -> None:
    """A sender an hour ahead: its readings wait, across a restart, and are then folded as if they had come in time."""
    clock, store = HandClock(), stores(tmp_path, kind, VAN)
    source = HandSource(clock)
    async with running(store, clock, source):
        for i in range(3):
            source.send(message(NOON_MS + HOUR + i * 1000, 12.5, -1.0, n=i))
        await until(lambda: len(source.acknowledged) == 3)
    assert list(store.readings("van7", 0)) == []
    async with running(store, clock, source) as pipeline:
        source.send(message(NOON_MS, 12.6, -1.0))
        await until(lambda: len(source.acknowledged) == 4)
        await until(lambda: pipeline.counters.released == 3, clock, 60_000)
        await until(lambda: len(list(store.readings("van7", 0))) == 4, clock)
    assert store.quarantined() == []
    assert same(state_of(store, VAN), folded(VAN, list(store.readings("van7", 0))))


@KINDS
async def test_a_boot_without_a_clock_loses_nothing(kind: str, tmp_path: Path) -> None:
    """Power returns in 1970: readings wait until a time service has answered and then stand where they were taken."""
    clock, store = HandClock(wall=30_000, monotonic=30_000, is_trusted=False), stores(tmp_path, kind, VAN)
    source = HandSource(clock)
    async with running(store, clock, source) as pipeline:
        for i in range(5):
            source.send(b"12.%d,-1,18\n" % (60 - i), format_name="lines", whole=False)
            await until(lambda: len(source.acknowledged) == i + 1)  # noqa: B023
            clock.go(10_000)
        assert pipeline.counters.quarantined == {"no clock": 5}
        clock.step(NOON_MS)
        clock.is_trusted = True
        await until(lambda: len(list(store.readings("van7", 0))) == 5, clock)
    assert [(r.at_ms - NOON_MS, r.voltage_v) for r in store.readings("van7", 0)] == [
        (30_000, 12.60), (40_000, 12.59), (50_000, 12.58), (60_000, 12.57), (70_000, 12.56),
    ]  # fmt: skip
    assert store.quarantined() == []


@KINDS
async def test_a_gateways_boot_without_a_clock_is_dated_by_its_first_good_time(kind: str, tmp_path: Path) -> None:
    """Readings of 1970 with boot id and monotonic time are dated back by the first one of that boot with a good time."""
    clock, store = HandClock(), stores(tmp_path, kind, VAN)
    source = HandSource(clock)
    async with running(store, clock, source):
        for i in range(4):
            source.send(message(i * 60_000, 12.6 - i / 100, -1.0, n=i, boot="b1", up=i * 60_000))
        source.send(message(NOON_MS, 12.5, -1.0, n=9, boot="b1", up=600_000))
        await until(lambda: len(source.acknowledged) == 5)
        await until(lambda: len(list(store.readings("van7", 0))) == 5, clock)
    assert [r.at_ms - NOON_MS for r in store.readings("van7", 0)] == [-600_000, -540_000, -480_000, -420_000, 0]
    assert same(state_of(store, VAN), folded(VAN, list(store.readings("van7", 0))))


async def test_our_clock_stepping_back_loses_nothing_and_stops_nothing() -> None:
    """An hour back: readings without a time of their own are kept, from the believed step on at their new time, and the fold agrees."""
    clock, store = HandClock(), MemoryStore(VAN)
    source = HandSource(clock)
    async with running(store, clock, source) as pipeline:
        for i in range(60):
            source.send(b"12.60,-1,18\n", format_name="lines", whole=False)
            await until(lambda: len(source.acknowledged) == i + 1)  # noqa: B023
            clock.go(5_000)
            if i == 20:
                clock.step(-HOUR)
        await until(lambda: pipeline.counters.refolds >= 1, clock)
        assert pipeline.counters.clock_steps == 1
    times = sorted(r.at_ms for r, _ in store.history.values())
    assert len(times) == 60
    assert times[0] < NOON_MS - HOUR + 5_000 * 60
    assert same(state_of(store, VAN), folded(VAN, list(store.readings("van7", 0))))


async def test_a_false_jump_of_our_clock_raises_no_alarm() -> None:
    """Two years ahead for half a minute: no silence is found, and no reading is dated there."""
    clock, store = HandClock(), MemoryStore(VAN)
    source = HandSource(clock)
    async with running(store, clock, source):
        for i in range(40):
            source.send(b"12.60,-1,18\n", format_name="lines", whole=False)
            await until(lambda: len(source.acknowledged) == i + 1)  # noqa: B023
            clock.go(2_000)
            if i in (10, 25):
                clock.step((1 if i == 10 else -1) * 2 * 365 * 86_400_000)
    assert max(r.at_ms for r, _ in store.history.values()) < NOON_MS + 100_000
    assert not store.events
    assert not store.late_events


async def test_a_leap_second_is_a_moment_like_any_other() -> None:
    """Readings around 23:59:60 are kept in their order, and the leap second counts as the first of the next day."""
    midnight = rfc3339_ms("2017-01-01T00:00:00Z")
    assert isinstance(midnight, int)
    clock, store = HandClock(wall=NOON_MS), MemoryStore(VAN)
    source = HandSource(clock)
    day = "2026-12-31T23:59:"
    clock.wall = rfc3339_ms("2027-01-01T00:00:10Z")  # type: ignore[assignment]
    async with running(store, clock, source) as pipeline:
        for second, volts in (("58Z", 12.60), ("59Z", 12.59), ("60Z", 12.58)):
            source.send(b'{"u": %.2f, "at": "%s"}' % (volts, (day + second).encode()), format_name="rfc")
        source.send(b'{"u": 12.57, "at": "2027-01-01T00:00:01Z"}', format_name="rfc")
        await until(lambda: len(source.acknowledged) == 4)
        assert not pipeline.counters.rejected
    times = [r.at_ms for r in store.readings("van7", 0)]
    assert [t - times[0] for t in times] == [0, 1000, 2000, 3000]


@KINDS
async def test_two_gateways_that_disagree_are_both_kept(kind: str, tmp_path: Path) -> None:
    """One gateway's clock is ten minutes behind the other's: every reading is kept at its own time, the work is bounded, the fold agrees."""
    clock, store = HandClock(), stores(tmp_path, kind, VAN)
    left, right = HandSource(clock, "left"), HandSource(clock, "right")
    async with running(store, clock, left, right) as pipeline:
        for i in range(40):
            left.send(message(clock.wall_ms(), 12.60, -1.0, n=i))
            right.send(message(clock.wall_ms() - 600_000, 12.61, -1.1, n=i))
            await until(lambda: len(left.acknowledged) + len(right.acknowledged) == 2 * i + 2)  # noqa: B023
            clock.go(10_000)
        assert pipeline.counters.late_by_source["right"] >= 39
        assert pipeline.counters.refolded < 40 * 80
        await until(lambda: not pipeline._folding.late(), clock)
    assert len(list(store.readings("van7", 0))) == 80
    assert same(state_of(store, VAN), folded(VAN, list(store.readings("van7", 0))))


WRONG = "Since 1 March its readings come in as they are taken, but their dates are 730 days too {}. Each is counted at the time it came."


@KINDS
@pytest.mark.parametrize("years", [-2, 2])
async def test_a_clock_that_jumps_two_years_and_stays_is_said_and_costs_nothing(years: int, kind: str, tmp_path: Path) -> None:
    """In mid-storage, for ten hours: readings stand when they came, no silence is found, the owner hears one sentence, over a restart and
    with messages sent again too; it ends when the clock is right."""
    clock, store = HandClock(), stores(tmp_path, kind, VAN)
    source, by_ms = HandSource(clock), years * 365 * 24 * HOUR
    payloads: list[bytes] = []
    told: dict[tuple[str, str, int], AlertEvent] = {}

    def tell(batch: Batch) -> None:
        told.update({(e.rule, e.kind, e.at_ms): e for e in (*batch.events, *batch.late_events)})  # a refold says the same again

    async def speak(hours: int, off_ms: int) -> None:
        for _ in range(6 * hours):
            clock.go(HOUR // 6)
            payloads.append(message(clock.wall_ms() - 40 + off_ms, 12.6, -0.02))
            source.send(payloads[-1])
            await until(lambda: len(source.acknowledged) == len(payloads))

    async with running(store, clock, source, told=tell):
        await speak(5, 0)
        await speak(5, by_ms)
        clock.go(1000)
    async with running(store, clock, source, told=tell) as pipeline:
        source.send_all(payloads[-20:])
        await until(lambda: pipeline.counters.duplicates == 20)
        source.acknowledged.clear()
        payloads.clear()
        await speak(5, by_ms)
        (began,) = told.values()
        assert (began.rule, began.kind) == ("sensor_clock", "began")
        assert began.finding.seen == WRONG.format("early" if years < 0 else "late")
        assert began.finding.title == f"The sensor's clock is 730 days {'behind' if years < 0 else 'ahead'}"
        await speak(4, 0)
    _, ended = told.values()
    assert (ended.rule, ended.kind) == ("sensor_clock", "ended")
    assert ended.finding.seen == "The sensor's clock is right again; its readings count at their own time."
    readings = list(store.readings("van7", 0))
    taken = [NOON_MS + n * HOUR // 6 + (n > 60) * 1000 - 40 for n in range(1, 6 * 19 + 1)]
    true = [at_ms + 40 * (30 <= n < 90) for n, at_ms in enumerate(taken)]
    # The two before it was found: a clock ahead had them set apart, and they are dated anew; one behind had them kept as late, years ago.
    before = true[30:32] if years < 0 else []
    assert sorted(r.at_ms for r in readings) == sorted([*set(true) - set(before), *(at_ms - 40 + by_ms for at_ms in before)])
    assert store.quarantined() == []
    assert same(state_of(store, VAN), folded(VAN, [r for r in readings if r.at_ms > NOON_MS], store.notes("van7")))


@pytest.mark.parametrize("anew", [False, True])
async def test_what_is_folded_again_within_a_backlog_makes_no_silence(anew: bool) -> None:
    """A gateway that was away sends what it stored, with something older among it or a new declaration meanwhile: the battery is not silent."""
    clock, store = HandClock(), MemoryStore(VAN, HERON)
    source, minute = HandSource(clock), HOUR // 60
    clock.go(100 * HOUR)

    async def send(at_ms: int, battery_id: str = "van7") -> None:
        count = len(source.acknowledged) + 1
        source.send(message(at_ms), battery_id)
        await until(lambda: len(source.acknowledged) == count)

    async with running(store, clock, source) as pipeline:
        for nth in range(30):
            await send(NOON_MS + nth * minute)
            clock.go(minute)
        if anew:
            pipeline.declared("van7")
            await send(clock.wall, "heron")
        else:
            await send(NOON_MS - minute)
            await until(lambda: pipeline.counters.refolds == 1, clock)
        for nth in range(30, 34):
            clock.go(2 * minute)
            await send(clock.wall, "heron")  # another battery speaks, and the loop looks who is silent
            await send(NOON_MS + nth * minute)
    assert [event.alert_id for event in (*store.events.values(), *store.late_events.values()) if event.rule == "silence"] == []
    assert same(state_of(store, VAN), folded(VAN, list(store.readings("van7", 0))))
