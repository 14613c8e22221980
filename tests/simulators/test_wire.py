"""Bytes really arrive: on a pseudo-terminal read by pyserial, and over MQTT through two different brokers."""

import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
import serial
from paho.mqtt.enums import CallbackAPIVersion

from simulators.broker import BrokerProcess, free_port
from simulators.faults import WireFaults
from simulators.sensor import Sample
from simulators.stored import Gateway, as_json, as_senml, topic
from simulators.van import SerialLine, line
from tests.brokers import ONLY_MOSQUITTO, Broker


def until(done: Any, seconds: float = 20.0) -> None:
    """Wait for something that another process does; the limit only ends a broken run."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.01)


@pytest.fixture(params=[pytest.param("mosquitto", marks=ONLY_MOSQUITTO), "embedded"])
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, int]]:
    """A running broker on the loopback: the server of the trade, and the embedded one."""
    if request.param == "embedded":
        with BrokerProcess() as embedded:
            yield embedded.host, embedded.port
        return
    with Broker(tmp_path) as running:
        yield "127.0.0.1", running.port


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Subscriber:
    """Keeps every message; a context."""

    def __init__(self, host: str, port: int) -> None:
        self.messages: list[tuple[str, bytes]] = []
        self.subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener")
        self._client.on_message = lambda client, data, message: self.messages.append((message.topic, message.payload))
        self._client.on_connect = lambda client, *_: client.subscribe([("readings/#", 1), ("senml/#", 1)])
        self._client.on_subscribe = lambda *_: self.subscribed.set()
        self._client.connect(host, port)
        self._client.loop_start()
        assert self.subscribed.wait(20)

    def __enter__(self) -> "Subscriber":
        return self

    def __exit__(self, *exc: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_a_line_is_the_written_format() -> None:
    """Keys, units and the shunt's own sign (positive out of the battery) are those of the module's text."""
    text = line(1_700_000_000.0, Sample(12.624, -3.42, 18.5, -12.345), 1234)
    assert text == b"t=2023-11-14T22:13:20.000Z v=12.624 i=3.420 c=18.5 q=-12.345 n=1234\r\n"
    assert line(0, Sample(12.6, None, None, None), 1) == b"t=1970-01-01T00:00:00.000Z v=12.600 n=1\r\n"


def test_senml_is_what_the_standard_says() -> None:
    """RFC 8428: base fields in the first record, units V, A and Cel, one record a quantity."""
    pack = json.loads(as_senml("otter", 1_700_000_000.0, Sample(12.62, -0.03, 8.5, None)))
    assert pack[0] == {"bn": "otter/", "bt": 1_700_000_000.0, "n": "voltage", "u": "V", "v": 12.62}
    assert [(r["n"], r["u"]) for r in pack] == [("voltage", "V"), ("current", "A"), ("temperature", "Cel")]


def test_pyserial_reads_the_lines(tmp_path: Path) -> None:
    """A reader with exclusive access on the stable path gets every byte, unchanged."""
    far = SerialLine(tmp_path / "shunt")
    try:
        with serial.Serial(str(tmp_path / "shunt"), 19200, timeout=5, exclusive=True) as port:
            sent = b"".join(line(1e9 + i, Sample(12.5 + i / 1000, -1.0, 20.0, -0.1 * i), i) for i in range(30))
            for start in range(0, len(sent), 7):
                far.write(sent[start : start + 7])
            assert port.read(len(sent)) == sent
    finally:
        far.close()


def test_a_line_that_nobody_reads_loses_bytes_and_goes_on() -> None:
    """Without a reader the buffer fills; what does not fit is counted, nothing blocks."""
    far = SerialLine()
    try:
        for i in range(3000):
            far.write(line(1e9 + i, Sample(12.5, -1.0, 20.0, None), i))
        assert far.lost_bytes > 0
    finally:
        far.close()


def test_unplugging_is_seen_and_plugging_in_renews_the_path(tmp_path: Path) -> None:
    """The reader of a pulled adapter gets an error; after plugging in the same path leads to a new terminal that works."""
    far = SerialLine(tmp_path / "shunt")
    try:
        with serial.Serial(str(tmp_path / "shunt"), timeout=2) as port:
            far.write(b"a\r\n")
            assert port.read(3) == b"a\r\n"
            far.unplug()
            assert not (tmp_path / "shunt").exists()
            far.write(b"lost\r\n")
            with pytest.raises((serial.SerialException, OSError)):
                port.read(10)
        far.plug_in()
        with serial.Serial(str(tmp_path / "shunt"), timeout=5) as port:
            far.write(b"b\r\n")
            assert port.read(3) == b"b\r\n"
        assert far.lost_bytes == 6
    finally:
        far.close()


def test_faults_are_put_on_the_line(tmp_path: Path) -> None:
    """With noise asked for, other bytes arrive between the lines."""
    far = SerialLine(faults=WireFaults(1, garbage=0.5))
    try:
        with serial.Serial(far.port, timeout=1) as port:
            frames = [line(1e9 + i, Sample(12.5, -1.0, 20.0, None), i) for i in range(10)]
            for frame in frames:
                far.write(frame)
            got = port.read(4000)
        assert len(got) > sum(map(len, frames))
        assert all(frame in got for frame in frames)
    finally:
        far.close()


def test_mqtt_messages_arrive(broker: tuple[str, int]) -> None:
    """What a gateway publishes with QoS 1 reaches a subscriber, each message, on its topic, in order."""
    with Subscriber(*broker) as heard:
        gateway = Gateway(*broker, "yard")
        sent = [(topic("otter"), as_json(1e9 + i, Sample(12.5, -0.03, 8.0, None), i)) for i in range(150)]
        for name, payload in sent:
            gateway.publish(name, payload)
        assert gateway.finish()
        until(lambda: len(heard.messages) >= 150)
        gateway.close()
    assert heard.messages == sent
    assert gateway.acknowledged == 150


def test_a_gateway_without_a_broker_says_so() -> None:
    """Nobody listening is an error at once."""
    with pytest.raises(OSError, match="refused"):
        Gateway("127.0.0.1", free_port(), "yard")


def _lines(process: subprocess.Popen[bytes]) -> Iterator[dict[str, Any]]:
    assert process.stdout is not None
    for text in process.stdout:
        yield json.loads(text)


def start(*arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "simulators", *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


def end(process: subprocess.Popen[bytes]) -> str:
    """Close its input, wait for its end, give what it wrote on standard error."""
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 0
    return errors.decode()


def test_the_demonstration_speaks_on_both_wires(tmp_path: Path) -> None:
    """As a process: it announces its ends, waits for the word, then tells the first days in seconds on the line and over MQTT, never in the future."""
    process = start("demo", "--told-for", "40", "--for", "10", "--wait", "--link", str(tmp_path / "shunt"))
    said = _lines(process)
    ready = next(said)
    assert ready["ready"] is True
    assert {b["id"] for b in ready["batteries"]} == {"heron", "otter", "curlew", "marten"}
    with Subscriber(ready["mqtt"]["host"], ready["mqtt"]["port"]) as heard, serial.Serial(ready["serial"]["port"], timeout=0.2) as port:
        assert process.stdin is not None
        process.stdin.write(b"go\n")
        process.stdin.flush()
        begun = next(said)
        lines = bytearray()
        until(lambda: lines.extend(port.read(4096)) or len(heard.messages) > 700, 60)
        assert begun["days"] == 14
        happened = [m["happening"] for m in said if "happening" in m]
    assert end(process) == ""
    assert len(happened) >= 2
    first = next(text for text in bytes(lines).split(b"\r\n") if text.startswith(b"t="))
    assert b" v=" in first
    assert b" i=" in first
    stamps = [m["time"] for m in (json.loads(p) for name, p in heard.messages if name in ("readings/otter", "readings/marten"))]
    assert all(begun["from"] <= stamp for stamp in stamps)
    assert max(stamps) <= begun["to"]


def test_a_simulator_ends_with_its_parent() -> None:
    """When the parent closes standard input, the process and the broker it started end."""
    process = start("demo", "--told-for", "600", "--until-stdin-closes")
    ready = next(_lines(process))
    assert _listens(ready["mqtt"]["port"])
    assert end(process) == ""
    until(lambda: not _listens(ready["mqtt"]["port"]))


def test_a_van_alone_with_a_pulled_adapter(tmp_path: Path) -> None:
    """`van` tells its days, pulls its adapter when told to, and counts what was lost."""
    process = start("van", "--days", "0.05", "--told-for", "3", "--unplug", "1", "1", "--link", str(tmp_path / "shunt"), "--garbage", "0.1")
    said = _lines(process)
    assert next(said)["port"] == str(tmp_path / "shunt")
    until(lambda: not (tmp_path / "shunt").exists())
    until(lambda: (tmp_path / "shunt").exists())
    last = next(said)
    assert end(process) == ""
    assert last["sent"] > 200
    assert last["lost_bytes"] > 0


def test_the_fleet_reaches_the_broker(tmp_path: Path) -> None:
    """`fleet` publishes every vehicle's readings and counts acknowledgements, garbage and doubles."""
    with BrokerProcess() as embedded, Subscriber(embedded.host, embedded.port) as heard:
        process = start(
            "fleet",
            "--broker",
            f"{embedded.host}:{embedded.port}",
            "--vehicles",
            "20",
            "--readings",
            "10",
            "--garbage",
            "0.05",
            "--doubled",
            "0.05",
            "--quiet",
        )
        counts = next(_lines(process))
        assert end(process) == ""
        until(lambda: len(heard.messages) >= counts["acknowledged"])
    assert counts["complete"] is True
    assert counts["acknowledged"] == counts["sent"] + counts["garbage"] + counts["doubled"] == len(heard.messages)


def test_a_wrong_address_is_refused() -> None:
    """`--broker` without a port stops with a sentence that says what was expected."""
    process = start("fleet", "--broker", "nowhere")
    _, errors = process.communicate(timeout=30)
    assert process.returncode == 1
    assert b"expected HOST:PORT" in errors
