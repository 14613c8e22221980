"""A van's service and a fleet's service, both real, joined by the relay over a real broker: what the fleet knows is what the van knows."""

import json
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from analytics.reading import Reading
from api.clock import MachineClock
from api.database import Database
from api.ledger import SqlLedger
from api.relay import FORMAT
from tests.brokers import DURABLE, ONLY_MOSQUITTO, Broker, free_port

pytestmark = ONLY_MOSQUITTO

COMMON = """
data = "{name}"

[keep]
commit_every_s = 0.1

[clock]
believed_after_s = 0

[web]
port = {web}

[[source]]
kind = "mqtt"
host = "127.0.0.1"
port = {broker}
topic = "{topic}"
format = "wire"
client_id = "{name}"

[[battery]]
id = "house"
chemistry = "agm"
rated_capacity_ah = 100

[format.wire]
decoder = "json"
{fields}
"""

RELAY = """
[relay]
host = "127.0.0.1"
port = {broker}
client_id = "van-7-relay"
tls = false
every_s = 0.1
most_bytes_per_s = 200000
"""


def fields(format_: dict[str, object]) -> str:
    """The format as lines of TOML."""
    return "\n".join(
        f"{key} = "
        + ("{ " + ", ".join(f"{k} = {json.dumps(v)}" for k, v in value.items()) + " }" if isinstance(value, dict) else json.dumps(value))
        for key, value in format_.items()
    )


class Service:
    """A service as a process."""

    def __init__(self, folder: Path, name: str, topic: str, broker: int, more: str = "") -> None:
        self.folder, self.name, self.web = folder, name, free_port()
        self.file = folder / f"{name}.toml"
        self.file.write_text(
            COMMON.format(name=name, web=self.web, topic=topic, broker=broker, fields=fields(FORMAT)) + more.format(broker=broker)
        )
        self.file.chmod(0o600)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, "-c", "from api.cli import main; main()", "run", "--settings", str(self.file)]
        with (self.folder / f"{self.name}.log").open("ab") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until(self.answers, f"the {self.name} service's answer: {self.file}")

    def answers(self) -> bool:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.web}/healthz", timeout=5):
                return True
        except urllib.error.HTTPError:
            return True
        except OSError:
            return False

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def history(self) -> list[Reading]:
        """Read beside the running service."""
        with Database(str(self.folder / self.name / "restvolt.db"), checkpoints=False) as database:
            return list(SqlLedger(database).history.readings("house", 0))


def until(done: Callable[[], object], what: str, seconds: float = 90.0) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, f"{what} did not come about"
        time.sleep(0.25)


@pytest.fixture
def joined(tmp_path: Path) -> Iterator[tuple[Service, Service, Broker]]:
    """Van, fleet and the broker between them."""
    with Broker(tmp_path, *DURABLE) as broker:
        van = Service(tmp_path, "van", "van/{battery}", broker.port, RELAY)
        fleet = Service(tmp_path, "fleet", "readings/{battery}", broker.port)
        yield van, fleet, broker
        van.kill()
        fleet.kill()


def publish(port: int, rows: list[dict[str, float]]) -> None:
    """As the van's own sensor does."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for row in rows:
        client.publish("van/house", json.dumps(row).encode(), qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def believed(service: Service) -> tuple[int, float]:
    """Time and state of charge of what a running service believes last."""
    with Database(str(service.folder / service.name / "restvolt.db"), checkpoints=False) as database:
        latest = SqlLedger(database).latest("house")
    assert latest is not None
    return latest.at_ms, round(latest.state_of_charge_pct or -1, 1)


def test_the_fleet_knows_what_the_van_knows(joined: tuple[Service, Service, Broker]) -> None:
    """Offline for three days, then joined; both services killed while it goes over: same readings, same belief at the end."""
    van, fleet, broker = joined
    luck, now_ms = Random(3), MachineClock().wall_ms()
    rows = [
        {"time_ms": now_ms - (600 - i) * 432_000, "voltage_v": round(12.7 - 0.4 * i / 600, 3), "current_a": -0.4, "sequence": i}
        for i in range(1, 601)
    ]
    van.start()
    publish(broker.port, rows[:400])
    until(lambda: len(van.history()) == 400, "the van's history")
    fleet.start()
    for round_ in range(2):
        time.sleep(luck.uniform(0.1, 0.6))
        victim = (van, fleet)[round_]
        victim.kill()
        victim.start()
        publish(broker.port, rows[400 + round_ * 50 : 450 + round_ * 50])
    publish(broker.port, rows[500:])
    until(lambda: len(van.history()) == 600, "the whole of the van's history")
    until(lambda: len(fleet.history()) == 600, "the whole of the fleet's history")
    assert fleet.history() == van.history()
    # What came late is folded again some seconds after it came.
    until(lambda: believed(fleet) == believed(van), "the same belief in both")
