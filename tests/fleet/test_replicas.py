"""Two services as processes on one PostgreSQL: whatever happens, each alert is told once."""

import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from analytics.assessment import AlertEvent, Finding
from analytics.batch import Batch
from analytics.battery import Battery
from api.database import Database
from api.ledger import SqlLedger
from tests.brokers import free_port
from tests.databases import postgres_programs, postgres_server
from tests.fakes.hook import Hook
from tests.fleet.processes import ROOT

SERVERS = ["postgres"] if postgres_programs() else []
"""Where it is not installed, the variant does not exist; two processes on one SQLite file are not supported."""
ALERTS = 30
SETTINGS = """
data = "{folder}"
database_url = "{url}"
shared = true
[web]
port = {port}
[push]
allow_private_addresses = true
gather_s = 0
[[push.people]]
name = "Ada"
urls = ["json://127.0.0.1:{hook}/"]
"""


class Replica:
    """A service as a process; a context."""

    def __init__(self, folder: Path, url: str, hook: int) -> None:
        folder.mkdir()
        self._log, self.port, self._file = folder / "log", free_port(), folder / "restvolt.toml"
        self._file.write_text(SETTINGS.format(folder=folder, url=url, port=self.port, hook=hook))
        self._file.chmod(0o600)

    def __enter__(self) -> "Replica":
        with self._log.open("ab") as log:
            command = [sys.executable, "-c", "from api.cli import main; main()", "run", "--settings", str(self._file)]
            self.process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)
        until(self.answers, self._log)
        return self

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}/healthz", timeout=5):
                return True
        except (urllib.error.URLError, ConnectionError):
            return False

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(30)


def until(done: Callable[[], object], log: Path | None = None, seconds: float = 90.0) -> None:
    """The limit only ends a broken run."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, log.read_text()[-2000:] if log is not None else "it did not come about"
        time.sleep(0.05)


@pytest.fixture
def hook() -> Iterator[Hook]:
    made = Hook(answers_after_s=0.05)  # slow, so that both replicas have something to send at the same time
    yield made
    made.close()


def began(battery_id: str) -> AlertEvent:
    at_ms = time.time_ns() // 1_000_000
    finding = Finding("low_voltage", "high", f"{battery_id} is low", "seen", "It means this.", "Do that.", "", (), "test")
    return AlertEvent(f"{battery_id}:low_voltage:{at_ms}", battery_id, "low_voltage", "began", at_ms, "high", "reason", finding)


@pytest.mark.parametrize("_server", SERVERS)
def test_two_replicas_tell_each_alert_once(_server: str, tmp_path: Path, hook: Hook) -> None:
    """Two processes plan and send from one database at the same time, one is stopped meanwhile: every alert is told, and none twice."""
    ids = [f"van{n}" for n in range(ALERTS)]
    with postgres_server() as url, Database(url) as database:
        ledger = SqlLedger(database)
        for battery_id in ids:
            ledger.declare(Battery(battery_id, "agm", 95.0), 0, "test")
        with Replica(tmp_path / "one", url, hook.port):
            with Replica(tmp_path / "two", url, hook.port):
                for battery_id in ids[: ALERTS // 2]:
                    ledger.commit(Batch(events=[began(battery_id)]))
                until(lambda: len(hook.heard) >= 3)
            for battery_id in ids[ALERTS // 2 :]:
                ledger.commit(Batch(events=[began(battery_id)]))
            until(lambda: sum(delivery.state == "sent" for delivery in ledger.delivered(limit=1000)) >= ALERTS)
            assert ledger.events_to_tell() == []
        told = Counter(message["title"] for message in hook.heard)
        assert len(told) == ALERTS
        assert set(told.values()) == {1}
        assert {delivery.tries for delivery in ledger.delivered(limit=1000)} == {1}
