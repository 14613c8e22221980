"""The live stream: what is kept is told to those who watch, a slow watcher slows nobody, and it ends when the service stops."""

import asyncio
import json
import threading

import httpx
import pytest

from analytics.assessment import AlertEvent, Assessment
from api.live import MOST_EVENTS, Live
from api.web.settings import WebSettings
from tests.fakes.web_house import bearer, house_of
from tests.fakes.web_scene import NOW_MS, fleet, silent
from tests.fakes.web_server import served


def believed(battery_id: str, pct: float, scene) -> Assessment:  # type: ignore[no-untyped-def]
    return scene.ledger.latest(battery_id)._replace(state_of_charge_pct=pct)


def event(battery_id: str) -> AlertEvent:
    return AlertEvent(f"{battery_id}:silence:{NOW_MS}", battery_id, "silence", "began", NOW_MS, "medium", "silent for 3600 s", silent(1))


def events(lines) -> list[tuple[str, dict[str, object]]]:  # type: ignore[no-untyped-def]
    """Server-sent events of a stream of lines: (name, data)."""
    found, name = [], ""
    for line in lines:
        if line.startswith("event: "):
            name = line.removeprefix("event: ")
        elif line.startswith("data: "):
            found.append((name, json.loads(line.removeprefix("data: "))))
    return found


def watched_by(live: Live) -> None:
    """Returns once somebody watches; gives up after half a minute."""
    for _ in range(3000):
        if live.watchers():
            return
        threading.Event().wait(0.01)
    raise AssertionError("nobody watches")


def watched(query: str, headers: dict[str, str], tell) -> tuple[list[tuple[str, dict[str, object]]], str]:  # type: ignore[no-untyped-def]
    """What a watcher heard until the service stopped, after `tell(live, scene)`."""
    scene = fleet()
    app, wired = house_of(scene, WebSettings(open_on_loopback=False, live_every_s=0.05, live_idle_s=0.2))

    def speak() -> None:
        watched_by(wired.live)
        tell(wired.live, scene)

    with served(app) as address, httpx.Client(timeout=20) as client:
        speaker = threading.Thread(target=speak)
        speaker.start()
        with client.stream("GET", f"{address}/api/v1/stream{query}", headers=headers) as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            lines = []
            for line in answer.iter_lines():
                lines.append(line)
                if line == ": still here" and not speaker.is_alive():
                    wired.live.close()
        speaker.join()
    return events(lines), "\n".join(lines)


def test_what_is_kept_is_told_as_events() -> None:
    """A state comes whole, as /state gives it, an alert by its name; and the stream ends when the service stops."""

    def tell(live, scene) -> None:  # type: ignore[no-untyped-def]
        live.tell([believed("heron", 61.5, scene)], [event("curlew")])

    heard, text = watched("", bearer("read"), tell)
    assert text.startswith("retry: 3000")
    (_, state), (_, alert) = heard
    assert [name for name, _ in heard] == ["state", "alert"]
    assert (state["battery_id"], state["state_of_charge_pct"]) == ("heron", 61.5)
    assert (alert["battery_id"], alert["kind"], alert["title"]) == ("curlew", "began", "Nothing heard for 1 days")


def test_a_watcher_hears_only_what_it_may_see_and_asked_for() -> None:
    """Another fleet's battery is not told, nor one that was not asked for."""

    def tell(live, scene) -> None:  # type: ignore[no-untyped-def]
        live.tell([believed(name, 50.0, scene) for name in ("magpie", "tern", "heron")], [event("magpie"), event("tern")])

    heard, _ = watched("?battery_id=heron", bearer("read"), tell)
    assert [data["battery_id"] for _, data in heard] == ["heron"]
    alerts, _ = watched("?only=alert", bearer("read"), tell)
    assert [(name, data["battery_id"]) for name, data in alerts] == [("alert", "tern")]
    everything, _ = watched("", bearer("read"), tell)
    assert {data["battery_id"] for _, data in everything} == {"tern", "heron"}


def test_a_state_made_by_time_alone_shows_the_last_voltage() -> None:
    """An assessment without a reading carries no voltage: the last one that was seen is told, with its own time."""

    def tell(live, scene) -> None:  # type: ignore[no-untyped-def]
        live.tell([scene.ledger.latest("heron")._replace(voltage_v=None, current_a=None, temperature_c=None, at_ms=NOW_MS)])

    ((_, state),), _ = watched("", bearer("read"), tell)
    assert state["voltage_v"] is not None
    assert state["heard"] < state["time"]  # type: ignore[operator]


def test_watching_needs_a_token_and_room() -> None:
    """A stranger gets 401; one watcher more than the settings allow is told to come back."""
    app, _ = house_of(fleet(), WebSettings(open_on_loopback=False, most_watchers=1, live_idle_s=0.1))
    with served(app) as address, httpx.Client(timeout=20) as client:
        assert client.get(f"{address}/api/v1/stream").status_code == 401
        with client.stream("GET", f"{address}/api/v1/stream", headers=bearer("read")) as first:
            lines = first.iter_lines()
            next(lines)
            watched_by(app.state.house.live)
            second = client.get(f"{address}/api/v1/stream", headers=bearer("read"))
            assert (second.status_code, second.headers["retry-after"]) == (429, "30")


@pytest.mark.parametrize("told", [1, 5000])
def test_a_slow_watcher_hears_the_newest_and_holds_no_queue(told: int) -> None:
    """Told thousands of times while it sleeps, it gets the newest state of each battery and the newest events, no more."""
    scene = fleet()
    live = Live()

    async def slow() -> tuple[list[Assessment], list[AlertEvent]]:
        stream = live.watch(0, 5)
        waiting = asyncio.ensure_future(anext(stream))
        await asyncio.sleep(0)
        first = believed("heron", 0.0, scene)
        live.tell([first])
        await waiting
        for i in range(told):
            live.tell([first._replace(state_of_charge_pct=float(i))], [event("heron")])
        heard = await anext(stream)
        await stream.aclose()
        return heard

    states, told_events = asyncio.run(slow())
    assert [a.state_of_charge_pct for a in states] == [float(told - 1)]
    assert len(told_events) == min(told, MOST_EVENTS)
    assert live.watchers() == 0
    assert live.latest("heron") == states[0]


def test_what_was_measured_is_remembered_beside_what_time_made() -> None:
    """After a tick the newest assessment has no voltage, and the newest measured one is still known."""
    scene, live = fleet(), Live()
    measured = believed("heron", 60.0, scene)
    live.tell([measured])
    live.tell([measured._replace(voltage_v=None, at_ms=NOW_MS)])
    assert live.latest("heron") == measured._replace(voltage_v=None, at_ms=NOW_MS)
    assert live.measured("heron") == measured
