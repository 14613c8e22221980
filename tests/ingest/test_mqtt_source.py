"""The MQTT source against a real broker: redelivery, restart, refusal, half-closed links, TLS, and acknowledgements that belong to a connection."""

import asyncio
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import ValidationError

from ingest.backoff import Backoff
from ingest.mqtt_source import MqttSettings, MqttSource, battery_of
from ingest.source import Delivery, SourceLost
from ingest.supervisor import Supervised
from tests.brokers import DURABLE, MOSQUITTO, ONLY_MOSQUITTO, Broker, free_port
from tests.fakes.clock import RealClock
from tests.fakes.kept import MemoryStore
from tests.ingest.scene import VAN, message, running, until

pytestmark = pytest.mark.anyio
VERSIONS = pytest.mark.parametrize("version", ["3.1.1", "5"] if MOSQUITTO else ["3.1.1"])
"""The embedded broker speaks 3.1.1 only."""
AT_MS = 1_772_366_400_000


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    with Broker(tmp_path, *DURABLE) as started:
        yield started


def settings(at: int, **more: Any) -> MqttSettings:
    return MqttSettings(**{"host": "127.0.0.1", "port": at, "topic": "readings/{battery}", "format": "json", **more})


def publish(port: int, *messages: tuple[str, bytes, bool], tune: Callable[[mqtt.Client], object] | None = None) -> None:
    """Send with quality of service 1 and wait until the broker has acknowledged all."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    if tune is not None:
        tune(client)
    client.connect("127.0.0.1", port)
    client.loop_start()
    infos = [client.publish(topic, payload, 1, retain) for topic, payload, retain in messages]
    for info in infos:
        info.wait_for_publish(10)
        assert info.is_published()
    client.disconnect()
    client.loop_stop()


async def taken(source: MqttSource, count: int) -> list[Delivery]:
    """The next deliveries of an open source."""
    found: list[Delivery] = []
    async with asyncio.timeout(10):
        async for deliveries in source.deliveries():
            found += deliveries
            if len(found) >= count:
                break
    return found


@VERSIONS
async def test_a_message_is_a_delivery_with_its_battery(broker: Broker, version: str) -> None:
    """Topic, payload, battery and the retained mark arrive; the empty message of a cleared topic is a delivery too."""
    source = MqttSource(settings(broker.port, version=version, topic="fleet/+/readings/{battery}/#"), RealClock())
    await asyncio.to_thread(publish, broker.port, ("fleet/a/readings/van9/x", b"old", True))
    async with source:
        first = await taken(source, 1)
        assert [(d.source, d.battery_id, d.payload, d.retained) for d in first] == [("mqtt:fleet/a/readings/van9/x", "van9", b"old", True)]
        await asyncio.to_thread(publish, broker.port, ("fleet/b/readings/van7/y", b"new", False), ("fleet/a/readings/van9/x", b"", True))
        found = await taken(source, 2)
        assert [(d.battery_id, d.payload, d.retained) for d in found] == [("van7", b"new", False), ("van9", b"", False)]


@VERSIONS
@ONLY_MOSQUITTO
async def test_what_is_not_acknowledged_comes_again_on_reconnect_and_only_then(broker: Broker, version: str) -> None:
    """[MQTT-4.4.0-1]: no redelivery while connected; after a reconnect all that was not acknowledged comes, and nothing else."""
    source = MqttSource(settings(broker.port, version=version), RealClock())
    async with source:
        pass  # from now on the session persists
    await asyncio.to_thread(publish, broker.port, *[("readings/van7", b"%d" % i, False) for i in range(6)])
    async with source:
        first = await taken(source, 6)
        source.acknowledge(first[:2])
        await asyncio.sleep(1.2)
        assert source._waiting.deliveries == []
    async with source:
        again = await taken(source, 4)
        source.acknowledge(first)  # of a connection that is gone: must not be sent
        assert [d.payload for d in again] == [b"2", b"3", b"4", b"5"]
        await asyncio.sleep(0.2)
    async with source:
        again = await taken(source, 4)
        assert [d.payload for d in again] == [b"2", b"3", b"4", b"5"], "the old acknowledgements were not taken for the new deliveries"
        source.acknowledge(again)
        await asyncio.sleep(0.2)
    async with source:
        await asyncio.sleep(0.3)
        assert source._waiting.deliveries == []


@VERSIONS
@ONLY_MOSQUITTO
async def test_the_broker_restarts_and_nothing_is_lost(broker: Broker, version: str) -> None:
    """Stopped and started again while readings come: the source recovers by itself and every message is kept once."""
    clock, store = RealClock(), MemoryStore(VAN)
    source = Supervised(MqttSource(settings(broker.port, version=version), clock), clock, backoff=Backoff(0.05, 0.2))
    async with running(store, clock, source):
        await until(lambda: source.state.up)
        await asyncio.to_thread(publish, broker.port, *[("readings/van7", message(AT_MS + i * 1000, n=i), False) for i in range(50)])
        broker.stop()
        await until(lambda: not source.state.up)
        assert "is gone" in source.state.last_error
        await asyncio.sleep(0.2)
        broker.start()
        await until(lambda: source.state.up)
        await asyncio.to_thread(publish, broker.port, *[("readings/van7", message(AT_MS + i * 1000, n=i), False) for i in range(50, 80)])
        await until(lambda: len(store.history) == 80)
    assert source.state.losses >= 1


async def test_an_absent_broker_is_said_and_tried_again(tmp_path: Path) -> None:
    """Before the broker is there the state says why; once it is, the source is up."""
    clock = RealClock()
    port = free_port()
    source = Supervised(MqttSource(settings(port), clock), clock, backoff=Backoff(0.05, 0.2))
    async with running(MemoryStore(VAN), clock, source):
        await until(lambda: source.state.tries >= 2)
        assert "cannot be reached" in source.state.last_error
        with Broker(tmp_path, port=port):
            await until(lambda: source.state.up)


@ONLY_MOSQUITTO
@VERSIONS
async def test_wrong_credentials_are_refused_in_words(tmp_path: Path, version: str) -> None:
    """A broker that refuses raises SourceLost with the reason; with the right password file it opens."""
    passwords = tmp_path / "passwords"
    await asyncio.to_thread(
        subprocess.run, ["mosquitto_passwd", "-b", "-c", str(passwords), "van", "right"], check=True, capture_output=True
    )
    secret = tmp_path / "secret"
    with Broker(tmp_path, listener=("allow_anonymous false", f"password_file {passwords}")) as broker:
        secret.write_text("wrong\n")
        source = MqttSource(settings(broker.port, version=version, username="van", password_file=secret), RealClock())
        with pytest.raises(SourceLost, match="refuses"):
            async with source:
                pass
        secret.write_text("right\n")
        async with source:
            pass


async def test_a_missing_password_file_is_said() -> None:
    """The file and what it is for stand in the message."""
    source = MqttSource(settings(1, username="van", password_file=Path("/nowhere/secret")), RealClock())
    with pytest.raises(SourceLost, match=r"password or certificate cannot be used.*nowhere"):
        async with source:
            pass


@ONLY_MOSQUITTO
async def test_messages_come_through_tls_and_a_stranger_is_not_believed(tmp_path: Path) -> None:
    """With the right authority the link opens and messages come in a row; with another one it is refused."""
    certificate, key = _certificate(tmp_path, "right")
    other, _ = _certificate(tmp_path, "other")
    with Broker(tmp_path, listener=("allow_anonymous true", f"certfile {certificate}", f"keyfile {key}")) as broker:
        source = MqttSource(settings(broker.port, host="localhost", tls=True, ca_file=certificate), RealClock())
        async with source:
            context = ssl.create_default_context(cafile=str(certificate))
            context.check_hostname = False
            batch = [("readings/van7", b"%d" % i * 40, False) for i in range(300)]
            await asyncio.to_thread(publish, broker.port, *batch, tune=lambda client: client.tls_set_context(context))
            got = 0
            async with asyncio.timeout(10):
                async for deliveries in source.deliveries():
                    source.acknowledge(deliveries)
                    got += len(deliveries)
                    if got >= 300:
                        break
        with pytest.raises(SourceLost, match="cannot be reached"):
            async with MqttSource(settings(broker.port, host="localhost", tls=True, ca_file=other), RealClock()):
                pass


def _certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A certificate for localhost that vouches for itself."""
    certificate, key = folder / f"{name}.crt", folder / f"{name}.key"
    command = [
        "openssl",
        "req",
        "-x509",
        "-newkey",
        "ec",
        "-pkeyopt",
        "ec_paramgen_curve:prime256v1",
        "-nodes",
        "-days",
        "2",
        "-subj",
        f"/CN={name}",
    ]
    command += ["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(command, check=True, capture_output=True)
    key.chmod(0o644)
    return certificate, key


class Wire:
    """A link between source and broker that a test can freeze or cut in the middle of a packet."""

    def __init__(self, target: int) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._target = target
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self.cut_after: int | None = None
        """Bytes from the broker after which both ends are cut."""
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._server.accept()
            except OSError:
                return
            far = socket.create_connection(("127.0.0.1", self._target))
            self._pairs.append((near, far))
            threading.Thread(target=self._copy, args=(near, far, False), daemon=True).start()
            threading.Thread(target=self._copy, args=(far, near, True), daemon=True).start()

    def _copy(self, a: socket.socket, b: socket.socket, counted: bool) -> None:
        try:
            while data := a.recv(4096):
                if counted and self.cut_after is not None:
                    data, self.cut_after = data[: self.cut_after], self.cut_after - len(data)
                b.sendall(data)
                if self.cut_after is not None and self.cut_after <= 0:
                    self.cut_after = None
                    break
        except OSError:
            pass
        for s in (a, b):
            with_shutdown(s)

    def half_close(self) -> None:
        """The broker's side says that it sends no more, without a word of its protocol."""
        for near, _ in self._pairs:
            with_shutdown(near, socket.SHUT_WR)

    def close(self) -> None:
        self._server.close()
        for pair in self._pairs:
            for s in pair:
                s.close()


def with_shutdown(s: socket.socket, how: int = socket.SHUT_RDWR) -> None:
    with suppress(OSError):
        s.shutdown(how)


@ONLY_MOSQUITTO
async def test_a_link_that_is_half_closed_or_cut_in_a_packet_recovers(broker: Broker) -> None:
    """Half-closed and cut in the middle of a message: the source opens anew, and every reading is kept exactly once."""
    wire, clock, store = Wire(broker.port), RealClock(), MemoryStore(VAN)
    source = Supervised(MqttSource(settings(wire.port), clock), clock, backoff=Backoff(0.05, 0.2))
    try:
        async with running(store, clock, source):
            await until(lambda: source.state.up)
            wire.half_close()
            await until(lambda: source.state.losses == 1 and source.state.up)
            wire.cut_after = 700
            await asyncio.to_thread(publish, broker.port, *[("readings/van7", message(AT_MS + i * 1000, n=i), False) for i in range(30)])
            await until(lambda: source.state.losses == 2 and source.state.up)
            await until(lambda: len(store.history) == 30)
    finally:
        wire.close()


async def test_a_broker_that_says_nothing_is_given_up() -> None:
    """A port that accepts and stays silent is a lost source, not a hanging one."""
    server = socket.create_server(("127.0.0.1", 0))
    try:
        source = MqttSource(settings(server.getsockname()[1]), RealClock(), answer_s=0.3)
        with pytest.raises(SourceLost, match="does not answer"):
            async with source:
                pass
    finally:
        server.close()


@ONLY_MOSQUITTO
async def test_an_exception_while_a_message_is_taken_neither_kills_the_loop_nor_loses_the_message(broker: Broker) -> None:
    """A clock that fails once, in the middle of the client's callback: the link is opened anew and the message comes again."""

    class Failing(RealClock):
        armed = False

        def wall_ms(self) -> int:
            if self.armed:
                self.armed = False
                raise ZeroDivisionError("a mistake")
            return super().wall_ms()

    clock, failing, store = RealClock(), Failing(), MemoryStore(VAN)
    source = Supervised(MqttSource(settings(broker.port), failing), clock, backoff=Backoff(0.05, 0.2))
    async with running(store, clock, source):
        await until(lambda: source.state.up)
        failing.armed = True
        await asyncio.to_thread(publish, broker.port, ("readings/van7", message(AT_MS), False))
        await until(lambda: len(store.history) == 1)
    assert source.state.losses == 1
    assert "ZeroDivisionError" in source.state.last_error


async def test_a_poison_message_does_not_stall_the_window(broker: Broker) -> None:
    """More bad messages than may be in flight, good ones behind them: the bad are dead letters, the good are kept."""
    clock, store = RealClock(), MemoryStore(VAN)
    source = Supervised(MqttSource(settings(broker.port, in_flight=20), clock), clock)
    async with running(store, clock, source):
        await until(lambda: source.state.up)
        bad = [("readings/van7", b"\xff\x00 not a reading", False)] * 60
        good = [("readings/van7", message(AT_MS + i * 1000, n=i), False) for i in range(5)]
        await asyncio.to_thread(publish, broker.port, *bad, *good)
        await until(lambda: len(store.history) == 5)
    assert len(store.dead_letters) == 60


@pytest.mark.parametrize(
    ("template", "topic", "battery"),
    [
        ("readings/{battery}", "readings/van7", "van7"), ("readings/{battery}", "readings/van7/x", None), ("readings/{battery}", "other/van7", None),
        ("+/{battery}/#", "a/van7", "van7"), ("+/{battery}/#", "a/van7/b/c", "van7"), ("a.b/{battery}", "aXb/van7", None),
        ("{battery}", "van7", "van7"), ("readings/all", "readings/all", None),
    ],
)  # fmt: skip
def test_the_battery_is_found_in_the_topic(template: str, topic: str, battery: str | None) -> None:
    """The level of the template gives the id; other topics give none."""
    assert battery_of(template)(topic) == battery


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"topic": "readings/x{battery}"}, "as a whole level"), ({"topic": "a/{battery}/{battery}"}, "once"), ({"topic": "a/#/b"}, "# the last one"),
        ({"topic": "a/b+"}, "whole level"), ({"battery": "van7"}, "tells it already"), ({"ca_file": "x"}, "need tls = true"),
        ({"key_file": "x", "tls": True}, "go together"), ({"password_file": "x"}, "expected a username"), ({"qos": 0}, "qos"), ({"port": 0}, "port"),
    ],
)  # fmt: skip
def test_settings_that_cannot_be_meant_are_refused(more: dict[str, Any], said: str) -> None:
    """Each mistake is named with its key and what was expected."""
    with pytest.raises(ValidationError, match=said):
        settings(1883, **more)


def test_deliveries_of_nobody_are_acknowledged_without_harm(tmp_path: Path) -> None:
    """A closed source ignores acknowledgements."""
    empty: Sequence[Delivery] = []
    MqttSource(settings(1), RealClock()).acknowledge(empty)
