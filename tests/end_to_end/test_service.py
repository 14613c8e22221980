"""The main job with real parts: bytes from a serial line and a broker become readings, an assessment, an alert that is pushed, history and an answer."""

import json
import os
import signal
import subprocess
import sys
import time
import tty
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.brokers import Broker, free_port
from tests.fakes.hook import Hook

SETTINGS = """
data = "data"

[keep]
commit_every_s = 0.1

[clock]
believed_after_s = 0

[web]
port = {port}

[[source]]
kind = "serial"
port = "{serial}"
battery = "heron"
format = "lines"

[[source]]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "readings/{{battery}}"
format = "yard"

[format.lines]
decoder = "delimited"
delimiter = ""
pairs = "="
voltage = "v"
current = {{ field = "i", positive = "discharging" }}

[format.yard]
decoder = "json"
voltage = "volts"
current = "amps"
time = {{ field = "time", kind = "rfc3339" }}

[[battery]]
id = "heron"
chemistry = "agm"
rated_capacity_ah = 100

[[battery]]
id = "otter"
chemistry = "flooded"
rated_capacity_ah = 100
initial_state_of_charge_pct = 95

[push]
allow_private_addresses = true
gather_s = 0

[[push.people]]
name = "Ada"
urls = ["json://127.0.0.1:{hook}/"]
digest_at = "00:00:00"
priority = "medium"
"""


class World:
    """A service as a process, with a serial line, a broker and a hook of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.hook, self.port = folder, Hook(), free_port()
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        self.broker = Broker(folder).start()
        self.file = folder / "restvolt.toml"
        self.file.write_text(
            SETTINGS.format(port=self.port, serial=os.ttyname(self.slave), broker=self.broker.port, hook=self.hook.port), encoding="utf-8"
        )
        self.file.chmod(0o600)
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        command = [sys.executable, "-c", "from api.cli import main; main()", "run", "--settings", str(self.file)]
        self.log = (self.folder / "log.txt").open("a")
        self.process = subprocess.Popen(command, stdout=self.log, stderr=self.log, text=True)
        self.until(lambda: self.get("/readyz") is not None)

    def stop(self) -> int:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(20)
        self.log.close()
        self.process = None
        return code

    def get(self, path: str) -> Any:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
                return json.load(answer)
        except (urllib.error.URLError, ConnectionError):
            return None

    def until(self, condition: Callable[[], Any], seconds: float = 40.0) -> Any:
        """What the condition gives once it is true."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if found := condition():
                return found
            time.sleep(0.1)
        raise AssertionError(f"it did not come about; the service said:\n{(self.folder / 'log.txt').read_text()[-3000:]}")

    def publish(self, payloads: list[bytes], topic: str = "readings/otter") -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", self.broker.port)
        client.loop_start()
        for payload in payloads:
            client.publish(topic, payload, qos=1).wait_for_publish(10)
        client.disconnect()
        client.loop_stop()

    def close(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.log.close()
        self.broker.stop()
        self.hook.close()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    made = World(tmp_path)
    yield made
    made.close()


def drain(hours: int) -> list[bytes]:
    """A stored battery with 2 A left on, a reading every ten minutes, the last one now."""
    now = datetime.now(UTC)  # noqa: TID251 - readings carry the time of the real world here
    rows = []
    for i in range(hours * 6 + 1):
        at = now - timedelta(minutes=10 * (hours * 6 - i))
        rows.append(json.dumps({"time": at.isoformat(), "volts": round(12.62 - 0.75 * i / (48 * 6), 3), "amps": -2.0}).encode())
    return rows


def test_bytes_become_an_answer_an_alert_and_a_message(world: World) -> None:
    """Serial and MQTT readings are kept, assessed, alerted, pushed and served; a restart neither forgets nor repeats an alert."""
    world.start()
    world.until(lambda: all(part["works"] for part in (world.get("/healthz") or {"parts": [{"works": False}]})["parts"]))

    os.write(world.master, b"cut off 9\nv=12.71 i=3.25\r\nnoise\xff\xfe\nv=12.70 i=3.20\n")
    state = world.until(lambda: (s := world.get("/api/v1/batteries/heron/state")) and s.get("voltage_v") == 12.70 and s)
    assert state["current_a"] == -3.2

    world.publish([b"not json", *drain(46)])
    low = world.until(
        lambda: [a for a in (world.get("/api/v1/alerts?active=true") or {"alerts": []})["alerts"] if a["rule"] == "low_voltage"]
    )
    assert low[0]["battery_id"] == "otter"
    # A forecast may be told before: wait for the one that is meant.
    messages = world.until(lambda: [m for m in world.hook.heard if "otter" in (said := m["title"] + m["message"]) and "safe limit" in said])
    assert any("safe limit" in m["title"] + m["message"] for m in messages)

    def kept() -> int:
        history = world.get("/api/v1/batteries/otter/history?points=500")
        return len([v for v in history["voltage_v"] if v is not None])

    world.until(lambda: kept() == 46 * 6 + 1)  # the alert may come before the last of them
    assert world.stop() == 0

    told = len(world.hook.heard)
    world.start()
    again = world.until(
        lambda: [a for a in (world.get("/api/v1/alerts?active=true") or {"alerts": []})["alerts"] if a["rule"] == "low_voltage"]
    )
    assert [a["id"] for a in again] == [a["id"] for a in low]
    os.write(world.master, b"\nv=12.69 i=3.20\n")
    world.until(lambda: (s := world.get("/api/v1/batteries/heron/state")) and s.get("voltage_v") == 12.69)
    time.sleep(2)
    assert len(world.hook.heard) == told
    assert world.stop() == 0


def test_secrets_that_others_can_read_stop_the_start(world: World) -> None:
    """A settings file with push addresses that everybody may read is refused, with the command that mends it."""
    world.file.chmod(0o644)
    command = [sys.executable, "-c", "from api.cli import main; main()", "run", "--settings", str(world.file)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "chmod 600" in done.stderr


def test_check_looks_at_everything_and_tells_what_is_wrong(world: World) -> None:
    """With everything there it ends with 0; with the broker gone it says so and ends with 1."""
    command = [sys.executable, "-c", "from api.cli import main; main()", "check", "--push", "--settings", str(world.file)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr
    assert world.hook.heard[0]["title"] == "Restvolt: a test"
    world.broker.stop()
    done = subprocess.run(command[:-3] + command[-2:], capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "cannot be reached" in done.stdout
    world.broker.start()
