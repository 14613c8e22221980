"""The dead man's handle: beats while all is well, stays silent when not, tells no secret."""

import queue
from collections.abc import Iterator
from typing import Any

import pytest
from pydantic import ValidationError

from api.heartbeat import Heartbeat, HeartbeatSettings
from tests.fakes.loopback import Handler, serving

SECRET = "s3cr3t"


class Watcher(Handler):
    """Keeps the paths it is asked for; answers as it is told."""

    def do_GET(self) -> None:
        self.server.got.put(self.path)
        self.send_response(self.server.status)
        self.send_header("location", "/elsewhere")
        self.send_header("content-length", "0")
        self.end_headers()


@pytest.fixture
def watcher() -> Iterator[Any]:
    """An outside service, on loopback."""
    with serving(Watcher, got=queue.Queue(), status=200) as server:
        yield server


def settings(watcher: Any, **more: object) -> HeartbeatSettings:
    """Settings that point to the watcher."""
    url = f"http://127.0.0.1:{watcher.server_port}/{SECRET}"
    return HeartbeatSettings.model_validate({"url": url, "allow_private_addresses": True, **more})


def test_it_beats_while_all_is_well(watcher: Any) -> None:
    """One call, one beat."""
    assert Heartbeat(settings(watcher), lambda: True).beat() is None
    assert watcher.got.get(timeout=5) == f"/{SECRET}"


def test_it_is_silent_when_all_is_not_well(watcher: Any) -> None:
    """No call goes out, so the outside service raises the alarm."""
    assert Heartbeat(settings(watcher), lambda: False).beat() == "the service is not well, so it stays silent"
    assert watcher.got.empty()


@pytest.mark.parametrize("status", [302, 404, 500])
def test_a_refused_beat_is_said_without_the_address(watcher: Any, status: int) -> None:
    """A redirect is not followed, an error is named by its status."""
    watcher.status = status
    why = Heartbeat(settings(watcher), lambda: True).beat()
    assert why == f"it answered with HTTP status {status}"
    assert watcher.got.qsize() == 1


def test_nobody_there_and_addresses_inside(watcher: Any) -> None:
    """No answer is said; an address inside is refused unless allowed."""
    inside = Heartbeat(settings(watcher, allow_private_addresses=False), lambda: True).beat()
    assert inside is not None
    assert "inside this machine" in inside
    gone = HeartbeatSettings.model_validate({"url": f"http://127.0.0.1:1/{SECRET}", "allow_private_addresses": True})
    why = Heartbeat(gone, lambda: True).beat()
    assert why is not None
    assert "could not be reached" in why
    assert SECRET not in f"{why} {gone!r}"


def test_it_beats_by_itself_and_says_trouble_once(watcher: Any) -> None:
    """Started, it calls again and again; trouble is said once, its end once."""
    said: queue.Queue[str] = queue.Queue()
    watcher.status = 500
    heart = Heartbeat(settings(watcher).model_copy(update={"every_s": 0.02}), lambda: True, said.put)
    heart.start()
    try:
        assert "did not go out" in said.get(timeout=10)
        for _ in range(3):
            watcher.got.get(timeout=10)
        watcher.status = 200
        assert said.get(timeout=10) == "The heartbeat goes out again."
    finally:
        heart.stop()
    assert said.empty()


@pytest.mark.parametrize("url", ["", "ftp://example.org/x", "file:///etc/passwd", "https://", "example.org"])
def test_an_address_that_is_none_is_refused(url: str) -> None:
    """Only a web address will do."""
    with pytest.raises(ValidationError, match="expected an address"):
        HeartbeatSettings.model_validate({"url": url})
