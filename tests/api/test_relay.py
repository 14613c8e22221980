"""The relay against a real broker: exact history after any kill, newest first, bounded bandwidth, clear refusals."""

import shutil
import socket
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from random import Random
from typing import Any

import orjson
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import ValidationError

from analytics.batch import Batch
from analytics.battery import Battery
from analytics.reading import Reading, on_the_grid
from api.database import Database
from api.ledger import SqlLedger
from api.relay import FORMAT, Relay, encoded
from api.relay_link import Link, LinkLost, RelaySettings
from ingest.formats.json_fields import JsonFields, json_decoder
from tests.api.relay_process import T0, assessment, reading
from tests.brokers import DURABLE, ONLY_MOSQUITTO, Broker, free_port

pytestmark = ONLY_MOSQUITTO


def until(done: Callable[[], object], what: str = "it", seconds: float = 60.0) -> None:
    """Wait for another process; the limit only ends a broken run."""
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, f"{what} did not happen"
        time.sleep(0.02)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """Running on a free port of the loopback; it keeps what it acknowledges."""
    with Broker(tmp_path, *DURABLE) as running:
        yield running


class Fleet:
    """The receiving side: a persistent session, acknowledged by hand, decoded with the product's own format, each key kept once."""

    def __init__(self, port: int, authority: Path | None = None) -> None:
        self.kept: dict[tuple[str, int, int], Reading] = {}
        self.order: list[Reading] = []
        self.numbers: list[int] = []
        self.bad: list[object] = []
        self.subscribed = threading.Event()
        self._format = JsonFields.model_validate(FORMAT)
        client = self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "fleet", clean_session=False, manual_ack=True)
        client.on_message = self._message
        client.on_connect = lambda c, *_: c.subscribe("readings/+", 1)
        client.on_subscribe = lambda *_: self.subscribed.set()
        client.reconnect_delay_set(1, 1)
        if authority is not None:
            client.tls_set(str(authority))
        client.connect("localhost" if authority else "127.0.0.1", port)
        client.loop_start()
        assert self.subscribed.wait(20)

    def _message(self, client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        decoder = json_decoder(self._format, message.topic.removeprefix("readings/"))
        self.numbers.append(orjson.loads(message.payload)[0]["message"])
        for got in [*decoder.feed(message.payload, 0), *decoder.end(0)]:
            if not isinstance(got, Reading):
                self.bad.append(got)
                continue
            got = on_the_grid(got)
            self.order.append(got)
            self.kept.setdefault((got.battery_id, got.at_ms, got.sequence), got)
        client.ack(message.mid, message.qos)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def fleet(broker: Broker) -> Iterator[Fleet]:
    """Subscribed before anything is sent."""
    listening = Fleet(broker.port)
    yield listening
    listening.close()


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    """A van's database with one battery declared."""
    with Database(str(tmp_path / "van.db")) as database:
        made = SqlLedger(database)
        made.declare(Battery("house", "agm", 100.0), T0, "test")
        yield made


def keep(ledger: SqlLedger, *readings: Reading) -> None:
    ledger.commit(Batch(kept=[(r, assessment(r)) for r in readings]))


def settings(broker_port: int, **more: Any) -> RelaySettings:
    plain: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": broker_port,
        "client_id": "van-7",
        "tls": False,
        "every_s": 0.05,
        "most_bytes_per_s": 5_000_000,
    }
    return RelaySettings(**{**plain, **more})


class Running:
    """A relay in a thread; a context."""

    def __init__(self, relay: Relay) -> None:
        self.relay, self._stop = relay, threading.Event()
        self._thread = threading.Thread(target=relay.run, args=(self._stop,), daemon=True)

    def __enter__(self) -> Relay:
        self._thread.start()
        return self.relay

    def __exit__(self, *exc: object) -> None:
        self._stop.set()
        self._thread.join(30)
        assert not self._thread.is_alive()


def test_a_message_reads_back_as_the_same_readings() -> None:
    """Through the product's own decoder every field comes back, and what was None stays None."""
    sent = [reading("house", 3), Reading("house", T0, 12.0), Reading("house", T0 + 1, 0.0, 0.0, -5.0, 0.0)]
    decoder = json_decoder(JsonFields.model_validate(FORMAT), "house")
    assert [*decoder.feed(encoded(sent, 7), 0), *decoder.end(0)] == sent


def test_history_arrives_exactly_and_then_what_is_new(broker: Broker, fleet: Fleet, ledger: SqlLedger) -> None:
    """Four days of minutes go over; a reading kept afterwards follows; a late one is found by looking back."""
    sent = [reading("house", i) for i in range(4 * 1440) if i != 700]
    keep(ledger, *sent)
    with Running(Relay(settings(broker.port), ledger.history, ledger, look_back_s=0.2, look_far_back_s=0.2)) as relay:
        until(lambda: len(fleet.kept) == len(sent), "the backlog")
        assert fleet.order[:11] == sent[-11:]
        keep(ledger, reading("house", 4 * 1440))
        until(lambda: len(fleet.kept) == len(sent) + 1, "the new reading")
        keep(ledger, reading("house", 700))
        until(lambda: len(fleet.kept) == len(sent) + 2, "the late reading")
        until(lambda: relay.part().says == "connected to the fleet's broker", "the end of the backlog")
        assert relay.part().works
    assert list(ledger.history.readings("house", 0)) == sorted(fleet.kept.values())
    assert fleet.bad == []


def test_a_restart_goes_on_where_it_was(broker: Broker, fleet: Fleet, ledger: SqlLedger) -> None:
    """A relay stopped in between and started again sends nothing twice when it stopped cleanly, and numbers its messages on."""
    keep(ledger, *(reading("house", i) for i in range(500)))
    for first, upto in ((0, 500), (500, 600)):
        keep(ledger, *(reading("house", i) for i in range(500, upto)))
        with Running(Relay(settings(broker.port), ledger.history, ledger)) as relay:
            until(lambda r=relay, n=upto - first: r.sent_readings == n, "all acknowledgements")
    until(lambda: len(fleet.kept) == 600, "all readings")
    assert len(fleet.order) == 600
    assert fleet.numbers == list(range(1, len(fleet.numbers) + 1))


def test_killing_either_side_loses_and_doubles_nothing(tmp_path: Path, broker: Broker, fleet: Fleet) -> None:
    """The van's process is killed five times and the broker twice while readings come in: the fleet has exactly the van's history."""
    count, luck, path = 1500, Random(4), str(tmp_path / "killed.db")

    def start() -> subprocess.Popen[bytes]:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.api.relay_process", path, str(broker.port), str(count)], stdout=subprocess.PIPE
        )
        assert process.stdout is not None
        assert process.stdout.readline() == b"running\n"
        return process

    for round_ in range(5):
        process = start()
        time.sleep(luck.uniform(0.02, 0.5))
        if round_ % 3 == 1:
            broker.kill()
            time.sleep(0.2)
            broker.start()
        process.kill()
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
    process = start()
    until(lambda: len(fleet.kept) == 2 * count, "the whole history", 90)
    process.kill()
    process.wait()
    assert process.stdout is not None
    process.stdout.close()
    with Database(path) as database:
        history = SqlLedger(database).history
        for there, here in (("van7-house", "house"), ("starter", "starter")):
            sent = [r._replace(battery_id=there) for r in history.readings(here, 0)]
            assert len(sent) == count
            assert sent == sorted(r for r in fleet.kept.values() if r.battery_id == there)
    assert fleet.bad == []
    assert max(Counter(r[:2] for r in fleet.order).values()) < 12


def test_the_last_window_goes_again_when_the_link_breaks(broker: Broker, fleet: Fleet, ledger: SqlLedger) -> None:
    """A killed broker may lose what it acknowledged a moment before, so the newest goes again over the next link, and what is older does not."""
    with Running(Relay(settings(broker.port), ledger.history, ledger, first_wait_s=0.1)) as relay:
        for i in range(3):
            keep(ledger, reading("house", i))
            until(lambda: relay.sent_readings == i + 1 == len(fleet.order), f"reading {i}")  # noqa: B023 - it waits here
        time.sleep(0.5)  # so that the broker has heard the fleet's own acknowledgement, or it sends the last one again itself
        broker.stop()
        broker.start()
        until(lambda: len(fleet.order) == 4, "the last one again")
    assert [(r.at_ms - T0) // 60_000 for r in fleet.order] == [0, 1, 2, 2]


def test_bandwidth_is_bounded_and_new_readings_pass_the_backlog(broker: Broker, fleet: Fleet, ledger: SqlLedger) -> None:
    """At 3 kB/s a month of backlog takes its time, which the health page says; a new reading is there long before it is through."""
    keep(ledger, *(reading("house", i) for i in range(3000)))
    with Running(Relay(settings(broker.port, most_bytes_per_s=3000), ledger.history, ledger)) as relay:
        began_s = time.monotonic()
        until(lambda: len(fleet.kept) > 30, "the first window")
        keep(ledger, reading("house", 3000))
        until(lambda: ("house", T0 + 3000 * 60_000, 3001) in fleet.kept, "the new reading")
        assert len(fleet.kept) < 1000
        until(lambda: relay.sent_bytes > 15_000, "some backlog")
        assert relay.part().says.endswith("older readings are still on their way")
        assert relay.sent_bytes <= 3000 * (time.monotonic() - began_s) + 2 * 8000


class BreakingLink:
    """Lets a relay in, takes a kilobyte, and hangs up; counts what came. Frames: MQTT 5, sections 3.1 and 3.2."""

    def __init__(self) -> None:
        self.bytes = self.connections = 0
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port = self._server.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                peer, _ = self._server.accept()
                with peer, suppress(ConnectionError):
                    peer.recv(4096)
                    peer.sendall(bytes((0x20, 3, 0, 0, 0)))
                    for _ in range(4):
                        self.bytes += len(peer.recv(256))
                self.connections += 1

    def close(self) -> None:
        self._server.close()


def test_a_link_that_breaks_again_and_again_costs_no_more_than_one_that_holds(ledger: SqlLedger) -> None:
    """What was on its way when the link broke is sent again, but within the bandwidth that is allowed."""
    keep(ledger, *(reading("house", i) for i in range(30)))
    broken = BreakingLink()
    with Running(Relay(settings(broken.port, most_bytes_per_s=6000), ledger.history, ledger, first_wait_s=0.001)):
        began_s = time.monotonic()
        until(lambda: broken.connections >= 6, "the sixth connection")
        assert broken.bytes <= 6000 * (time.monotonic() - began_s) + 2 * 1024
    broken.close()


def test_a_broker_without_a_listener_does_not_swallow_readings(broker: Broker, ledger: SqlLedger) -> None:
    """Acknowledged but unrouted messages vanish (no matching subscribers): the relay sees it, waits, and sends once somebody listens."""
    keep(ledger, *(reading("house", i) for i in range(50)))
    with Running(Relay(settings(broker.port), ledger.history, ledger, first_wait_s=0.1)) as relay:
        until(lambda: "nobody listens" in relay.part().says, "the relay's notice")
        assert relay.sent_readings == 0
        fleet = Fleet(broker.port)
        try:
            until(lambda: len(fleet.kept) == 50, "all readings")
        finally:
            fleet.close()


def test_no_broker_is_said_and_harms_nothing(ledger: SqlLedger) -> None:
    """Without a broker the health page says what is the matter, and stopping works at once."""
    keep(ledger, reading("house", 1))
    with Running(Relay(settings(free_port()), ledger.history, ledger, first_wait_s=0.05)) as relay:
        until(lambda: "cannot be reached" in relay.part().says)
        assert not relay.part().works
        assert not relay.part().needed
        assert "readings wait in the history" in relay.part().says


def test_anothers_topic_is_refused_by_name(tmp_path: Path, ledger: SqlLedger) -> None:
    """A gateway may write only its own topic: the refusal is told, nothing counts as sent; wrong credentials are told too."""
    folder = tmp_path / "guarded"
    folder.mkdir()
    (folder / "acl").write_text("user van7\ntopic write readings/van7-house\nuser fleet\ntopic read readings/#\n")
    (folder / "passwords").write_text("van7:secret\n")
    subprocess.run([shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd", "-U", str(folder / "passwords")], check=True)
    (folder / "secret").write_text("secret\n")
    (folder / "wrong").write_text("guess\n")
    for secret in ("acl", "passwords"):
        (folder / secret).chmod(0o644)
    guards = ("allow_anonymous false", f"password_file {folder}/passwords", f"acl_file {folder}/acl")
    keep(ledger, reading("house", 1))
    with Broker(folder, listener=guards) as guarded:
        own = settings(guarded.port, username="van7", password_file=folder / "secret")
        with Running(Relay(own, ledger.history, ledger, first_wait_s=0.05)) as relay:
            until(lambda: "does not take this battery's topic" in relay.part().says)
            assert relay.sent_readings == 0
        wrong = settings(guarded.port, username="van7", password_file=folder / "wrong")
        with pytest.raises(LinkLost, match="refuses"), Link(wrong):
            pass


def certificate(folder: Path, name: str) -> tuple[Path, Path]:
    """A certificate for localhost that vouches for itself, and its key."""
    made, key = folder / f"{name}.crt", folder / f"{name}.key"
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]
    command += ["-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost", "-keyout", str(key), "-out", str(made)]
    subprocess.run(command, check=True, capture_output=True)
    return made, key


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # the library leaves a refused TLS socket to the collector
def test_readings_go_through_tls_and_a_stranger_gets_none(tmp_path: Path, ledger: SqlLedger) -> None:
    """With the right authority the readings go over; with another one the relay says why it does not send."""
    right, key = certificate(tmp_path, "right")
    other, _ = certificate(tmp_path, "other")
    keep(ledger, reading("house", 1))
    with Broker(tmp_path, listener=("allow_anonymous true", f"certfile {right}", f"keyfile {key}"), port=free_port()) as guarded:
        secure = settings(guarded.port, host="localhost", tls=True, ca_file=right)
        heard = Fleet(guarded.port, right)
        try:
            with Running(Relay(secure, ledger.history, ledger)):
                until(lambda: len(heard.kept) == 1, "the reading")
        finally:
            heard.close()
        stranger = secure.model_copy(update={"ca_file": other, "client_id": "van-8"})
        with Running(Relay(stranger, ledger.history, ledger, first_wait_s=0.05)) as relay:
            until(lambda: "certificate" in relay.part().says, "the refusal")
            assert relay.sent_readings == 0


@pytest.mark.parametrize("battery_id", ["a/b", "", "a+b", "#", "line\nbreak", "x" * 65])
def test_an_id_that_is_no_level_of_a_topic_is_refused(battery_id: str) -> None:
    """A name for the fleet that would reach another topic stops the start."""
    with pytest.raises(ValidationError, match="expected 1 to 64"):
        settings(1883, batteries={"house": battery_id})


def test_only_the_named_batteries_are_forwarded(broker: Broker, fleet: Fleet, ledger: SqlLedger) -> None:
    """With `only` the others stay in the van; with `batteries` the fleet's name is used."""
    ledger.declare(Battery("starter", "flooded", 80.0), T0, "test")
    keep(ledger, reading("starter", 1), reading("house", 1))
    with Running(Relay(settings(broker.port, only=("house",), batteries={"house": "v7"}), ledger.history, ledger)) as relay:
        until(lambda: relay.sent_readings == 1 and len(fleet.kept) == 1)
    assert [r.battery_id for r in fleet.order] == ["v7"]


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"topic": "readings"}, "expected {battery} once"),
        ({"topic": "readings/{battery}/#"}, "no wildcards"),
        ({"port": 0}, "greater than or equal to 1"),
        ({"certificate_file": "c.pem"}, "go together"),
        ({"ca_file": "ca.pem"}, "need tls = true"),
        ({"password_file": "p"}, "expected a username too"),
        ({"hots": "x"}, "Extra inputs are not permitted"),
    ],
)
def test_wrong_settings_say_what_was_expected(changed: dict[str, Any], expected: str) -> None:
    """Key, value and expectation are in the message."""
    with pytest.raises(ValidationError) as wrong:
        settings(1883, **changed)
    assert expected in str(wrong.value)


def test_a_cursor_from_a_newer_version_stops_the_relay(broker: Broker, ledger: SqlLedger) -> None:
    """A cursor that cannot be read is an error that says so, never a silent start from the beginning."""
    ledger.keep_fact(f"relay:127.0.0.1:{broker.port}:van-7", {"version": 2})
    with pytest.raises(ValueError, match="expected a cursor of version 1"):
        Relay(settings(broker.port), ledger.history, ledger).run(threading.Event())
