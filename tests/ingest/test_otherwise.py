"""What time alone said of alerts before the readings came: it is taken back aloud, and nothing is told twice or left standing."""

import asyncio
from pathlib import Path

import pytest

from analytics.assessment import AlertEvent
from analytics.batch import Batch
from analytics.core import begin
from analytics.fold import fold
from analytics.reading import Reading
from ingest.pipeline import Pipeline, PipelineSettings
from ingest.reconcile import GOES_ON_MS, REASON
from tests.fakes.clock import NOON_MS, HandClock
from tests.ingest.desk import Desk
from tests.ingest.scene import DECODERS, HERON, VAN, HandSource, folded, message, same, state_of, stores, until
from tests.torture.books import steps_of, wrong_in

pytestmark = pytest.mark.anyio
QUICK = PipelineSettings(commit_every_s=0.05)
MINUTE = 60_000
DEEP = f"van7:deep_discharge:{NOON_MS + MINUTE}"


def minutes(first: int, *stretches: tuple[int, float, float]) -> list[Reading]:
    """A reading a minute from this one on: (how many, volts, amperes)."""
    flat = [(volts, amps) for count, volts, amps in stretches for _ in range(count)]
    return [Reading("van7", NOON_MS + (first + nth) * MINUTE, volts, amps) for nth, (volts, amps) in enumerate(flat)]


BEFORE = minutes(0, (60, 11.9, -5.0), (88, 13.6, 20.0))
"""Discharged too deeply, then charged for a good hour."""
MEANWHILE = minutes(148, (2, 13.6, 20.0), (90, 10.0, -9.0))
"""What the cloud hears only later: soon after that, it is discharged too deeply again."""
AFTER = minutes(240, (200, 13.6, 20.0))


@pytest.mark.parametrize("kind", ["memory", "sqlite"])
@pytest.mark.parametrize("how", ["in order", "after a kill", "after newer ones", "after newer ones, and a kill before they are folded"])
async def test_an_alert_that_was_told_as_over_in_a_silence_and_goes_on_is_told_again(kind: str, how: str, tmp_path: Path) -> None:
    """An hour after the last low reading a tick ends the alert; readings from before that tick show it low again: it begins again, and ends later."""
    clock, told = HandClock(), list[AlertEvent]()
    store, source = stores(tmp_path, kind, VAN), HandSource(clock, in_flight=None)

    def heard(batch: Batch) -> None:
        known = steps_of(told)
        told.extend(e for e in (*batch.events, *batch.late_events) if (e.alert_id, e.kind, e.at_ms) not in known)

    async def send(readings: list[Reading]) -> None:
        clock.go(max(0, readings[-1].at_ms + 1000 - clock.wall))
        count = len(source.acknowledged) + len(readings)
        source.send_all([message(r.at_ms, r.voltage_v, r.current_a) for r in readings])
        await until(lambda: len(source.acknowledged) == count, clock, 20)

    def deep() -> list[tuple[str, int]]:
        return [(event.kind, (event.at_ms - NOON_MS) // MINUTE) for event in told if event.alert_id == DEEP]

    def going() -> bool:
        return DEEP in {alert.id for alert in store.alerts("van7", active=True)}

    async def killed() -> None:
        nonlocal pipeline, task
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        pipeline = Pipeline(store, DECODERS, clock, QUICK, heard)
        task = asyncio.create_task(pipeline.run([source]))

    pipeline = Pipeline(store, DECODERS, clock, QUICK, heard)
    task = asyncio.create_task(pipeline.run([source]))
    await send(BEFORE)
    assert deep() == [("began", 1)]
    await until(lambda: ("ended", 162) in deep(), clock, MINUTE)
    assert not going()
    if how == "after a kill":
        await killed()
    if how.startswith("after newer ones"):
        await send(MEANWHILE[-1:])
    await send(MEANWHILE)
    if how.endswith("before they are folded"):
        assert pipeline.counters.refolds == 0
        await killed()
        await until(lambda: len(deep()) == 3, clock, 20)
    await until(lambda: len(deep()) == 3, clock, 5000)
    again = told[[event.alert_id for event in told].index(DEEP) :]
    assert [e.reason for e in again if e.alert_id == DEEP][-1] == REASON
    assert "goes on" in next(e.finding.seen for e in reversed(told) if e.alert_id == DEEP)
    assert deep()[-1][0] == "began"
    assert deep()[-1][1] >= 162 + GOES_ON_MS // MINUTE
    assert going()
    await send(AFTER)
    pipeline.stop()
    await asyncio.wait_for(task, 30)
    readings = [*BEFORE, *MEANWHILE, *AFTER]
    expected = steps_of(event for _, _, outcome in fold(begin(VAN), readings) for event in outcome.events)
    assert wrong_in(expected, told, readings[-1].at_ms, late=how.startswith("after newer ones")) == []
    assert [kind for kind, _ in deep()] == ["began", "ended", "began", "ended"]
    assert not going()
    assert same(state_of(store, VAN), folded(VAN, readings))


@pytest.mark.parametrize(("seed", "late"), [(2, False), (24, False), (35, False), (10, True), (20, True), (26, True)])
def test_whatever_the_order_of_ticks_commits_kills_and_redeliveries_the_books_are_right(seed: int, late: bool) -> None:
    """A clock that runs ahead of a service that is killed again and again: all alerts as in a run that nothing disturbed, or taken back aloud."""
    desk = Desk(seed, 800, late=late).run()
    expected = steps_of(event for _, _, outcome in fold(begin(HERON), desk.sent) for event in outcome.events)
    assert list(desk.store.readings(HERON.id, 0)) == desk.sent
    assert same(state_of(desk.store, HERON), folded(HERON, desk.sent))
    assert wrong_in(expected, desk.told, desk.sent[-1].at_ms, late=late) == []
