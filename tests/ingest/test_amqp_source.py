"""Partitions read from a real broker node: kept then acknowledged, torn off and given again in order, refused, fenced by rights."""

import asyncio
import contextlib
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pika  # type: ignore[import-untyped]
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from analytics.batch import Batch
from analytics.battery import Battery
from api.database import Database
from api.fencing import FencedLedger
from api.ledger import SqlLedger
from api.main import join_partitions
from ingest import amqp_topology
from ingest.amqp_settings import AmqpSettings
from ingest.amqp_source import AmqpSource
from ingest.pipeline import Pipeline, PipelineSettings
from ingest.source import Delivery
from tests.fleet.gateways import Gateway
from tests.fleet.rabbit import PASSWORD, Cluster, Node, free_ports, password_hash
from tests.fleet.worker import StoryClock, decoder

PARTITIONS = 4
BATTERIES = [f"van{n}" for n in range(12)]
T0_S = 1_790_000_000


@pytest.fixture(scope="module")
def node(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Node]:
    """One broker node with the topology, a worker's user and a gateway's."""
    hashed = password_hash(PASSWORD)
    users = [
        amqp_topology.worker("worker", hashed),
        amqp_topology.gateway("home", hashed, BATTERIES),
        amqp_topology.gateway("other", hashed, ["elsewhere"]),
    ]
    with Cluster(tmp_path_factory.mktemp("broker"), 1, amqp_topology.definitions(PARTITIONS, 1, users)) as cluster:
        yield cluster.nodes[0]


def settings(node: Node, **more: object) -> AmqpSettings:
    secret = node.folder / "password"
    secret.write_text(PASSWORD + "\n")
    given = {"nodes": [f"127.0.0.1:{node.amqp_port}"], "password_file": secret, "partitions": PARTITIONS, "heartbeat_s": 5, **more}
    return AmqpSettings.model_validate(given)


def payload(n: int, volts: float = 12.6) -> bytes:
    at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(T0_S + 60 * n))
    return f'{{"time": "{at}", "volts": {volts}, "n": {n}}}'.encode()


def publish(node: Node, messages: list[tuple[str, bytes]]) -> None:
    """As the gateway, until all is acknowledged."""
    gateway = Gateway("home", PASSWORD, [node.mqtt_port], 0)
    try:
        for topic, body in messages:
            gateway.publish(topic, body)
        assert gateway.finish(10)
    finally:
        gateway.close()


async def taken(source: AmqpSource, count: int, seconds: float = 10.0) -> list[Delivery]:
    """So many deliveries, in the order in which they came."""
    got: list[Delivery] = []
    async with asyncio.timeout(seconds):
        async for deliveries in source.deliveries():
            got.extend(deliveries)
            if len(got) >= count:
                return got
    return got


async def nothing_left(node: Node) -> None:
    """Acknowledged to the last: a new worker is given nothing."""
    async with AmqpSource(settings(node), StoryClock(), _never) as source:
        with contextlib.suppress(TimeoutError):
            assert await taken(source, 1, 0.7) == []


def _never(reason: str) -> None:
    raise AssertionError(reason)


def refused_waiting(node: Node) -> int:
    connection = pika.BlockingConnection(
        pika.ConnectionParameters("127.0.0.1", node.amqp_port, credentials=pika.PlainCredentials("worker", PASSWORD))
    )
    try:
        return int(connection.channel().queue_declare(amqp_topology.REFUSED, passive=True).method.message_count)
    finally:
        connection.close()


def test_what_a_gateway_publishes_is_kept_and_then_acknowledged(node: Node, tmp_path: Path) -> None:
    """Readings of twelve batteries and a garbled message pass through all partitions: kept, set aside, and gone from the broker."""
    messages = [(f"readings/{battery}", payload(n)) for n in range(20) for battery in BATTERIES] + [("readings/van0", b"\xff\x00")]

    async def work() -> None:
        with Database(str(tmp_path / "r.db")) as database:
            ledger = SqlLedger(database)
            for battery in BATTERIES:
                ledger.declare(Battery(battery, "agm", 95.0), 0, "test")
            told, all_kept = [0], asyncio.Event()

            def heard(batch: Batch) -> None:
                told[0] += len(batch.kept) + len(batch.dead_letters)
                if told[0] == len(messages):
                    all_kept.set()

            store = FencedLedger(ledger, _never)
            pipeline = Pipeline(store, {"json": decoder}, StoryClock(), PipelineSettings(commit_every_s=0.1), heard)
            async with AmqpSource(settings(node), StoryClock(), _never) as source:
                running = asyncio.create_task(pipeline.run([source]))
                await asyncio.to_thread(publish, node, messages)
                async with asyncio.timeout(20):
                    await all_kept.wait()
                pipeline.stop()
                await running
            assert [[r.sequence for r in ledger.readings(battery, 0)] for battery in BATTERIES] == [list(range(20))] * len(BATTERIES)
            assert [letter.raw for letter in ledger.dead_letters()] == [b"\xff\x00"]
        await nothing_left(node)

    asyncio.run(work())


def test_what_was_not_acknowledged_comes_again_in_order(node: Node) -> None:
    """A worker that ends without acknowledging gives everything back; the next one gets each battery's messages in the old order."""
    messages = [(f"readings/{battery}", payload(n)) for n in range(30) for battery in BATTERIES]

    async def work() -> None:
        async with AmqpSource(settings(node, prefetch=1000), StoryClock(), _never) as first:
            await asyncio.to_thread(publish, node, messages)
            lost = await taken(first, len(messages))
        async with AmqpSource(settings(node, prefetch=1000), StoryClock(), _never) as second:
            again = await taken(second, len(messages))
            assert second.redelivered == len(messages)
            for battery in BATTERIES:
                assert [d.payload for d in again if d.battery_id == battery] == [d.payload for d in lost if d.battery_id == battery]
            second.acknowledge(again)
        await nothing_left(node)

    asyncio.run(work())


def test_a_battery_is_in_one_partition(node: Node) -> None:
    """All messages of a battery come through the same queue, and the batteries are spread over more than one."""
    messages = [(f"readings/{battery}", payload(n)) for n in range(5) for battery in BATTERIES]

    async def work() -> list[Delivery]:
        async with AmqpSource(settings(node), StoryClock(), _never) as source:
            await asyncio.to_thread(publish, node, messages)
            got = await taken(source, len(messages))
            source.acknowledge(got)
        return got

    queues: dict[str | None, set[int]] = {}
    for delivery in asyncio.run(work()):
        queues.setdefault(delivery.battery_id, set()).add(delivery.token.queue)  # type: ignore[attr-defined]
    assert {len(of_battery) for of_battery in queues.values()} == {1}
    assert len({next(iter(q)) for q in queues.values()}) > 1


def test_two_workers_share_the_partitions(node: Node) -> None:
    """Each of two workers is given messages, none is given to both, and when one is torn off the other gets what it had."""
    messages = [(f"readings/{battery}", payload(n)) for n in range(4) for battery in BATTERIES]

    async def work() -> None:
        async with AmqpSource(settings(node, worker=0, workers=2), StoryClock(), _never) as one:
            async with AmqpSource(settings(node, worker=1, workers=2), StoryClock(), _never) as two:
                await asyncio.to_thread(publish, node, messages)
                hers = await taken(two, 1)
                his = await taken(one, 1)
                await asyncio.sleep(0.5)
                his += one._came
                assert not {d.battery_id for d in hers} & {d.battery_id for d in his}
                one.acknowledge(his)
                one._came = []
            rest = await taken(one, len(messages) - len(his))
            assert len(his) + len(rest) == len(messages)
            one.acknowledge(rest)
        await nothing_left(node)

    asyncio.run(work())


def test_a_worker_learns_which_queues_it_reads_though_all_are_silent(node: Node, tmp_path: Path) -> None:
    """Without any reading the marks tell a worker its queues, and it takes over the batteries that once came through them."""

    async def work() -> None:
        with Database(str(tmp_path / "r.db")) as database:
            ledger = SqlLedger(database)
            ledger.declare(Battery("silent", "agm", 95.0), 0, "test")
            ledger.claim(["silent"], {"silent": "readings-02"})
            store = FencedLedger(ledger, _never)
            pipeline = Pipeline(store, {"json": decoder}, StoryClock())
            source = AmqpSource(settings(node), StoryClock(), _never)
            join_partitions(source, store, pipeline)
            async with source:
                running = asyncio.create_task(pipeline.run([source]))
                async with asyncio.timeout(20):
                    while not store.claimed:
                        await asyncio.sleep(0.05)
                pipeline.stop()
                await running
            assert [battery.id for battery in store.batteries()] == ["silent"]

    asyncio.run(work())


def test_a_topic_that_names_no_battery_is_refused_and_kept_apart(node: Node) -> None:
    """A message whose topic has a second level stays with the broker in the refused queue, and the worker goes on."""
    before = refused_waiting(node)

    async def work() -> None:
        async with AmqpSource(settings(node), StoryClock(), _never) as source:
            connection = pika.BlockingConnection(
                pika.ConnectionParameters("127.0.0.1", node.amqp_port, credentials=pika.PlainCredentials("worker", PASSWORD))
            )
            channel = connection.channel()
            for key in ("readings.van1.extra", "readings.van1"):
                channel.basic_publish(amqp_topology.HASHED, key, payload(1))
            connection.close()
            got = await taken(source, 1)
            assert [d.battery_id for d in got] == ["van1"]
            assert source.refused == 1
            source.acknowledge(got)

    asyncio.run(work())
    deadline = time.monotonic() + 10
    while refused_waiting(node) == before and time.monotonic() < deadline:
        time.sleep(0.1)
    assert refused_waiting(node) == before + 1


def test_a_gateway_cannot_publish_for_a_battery_that_is_not_its_own(node: Node) -> None:
    """The broker closes the connection of a gateway that publishes another's readings, acknowledges nothing and keeps nothing."""
    gateway = Gateway("other", PASSWORD, [node.mqtt_port], 0)
    try:
        gateway.publish("readings/van1", payload(1))
        assert not gateway.finish(1.0)
        assert gateway.acknowledged == 0
    finally:
        gateway.close()
    asyncio.run(nothing_left(node))


@pytest.mark.parametrize(
    ("user", "password"), [("other", "a guess"), ("nobody", PASSWORD), ("", "")], ids=["wrong password", "unknown", "none"]
)
def test_a_gateway_with_anothers_credentials_is_not_let_in(node: Node, user: str, password: str) -> None:
    """A wrong password, an unknown user and nobody at all are refused at the door, and nothing of theirs is kept."""
    answers: list[bool] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="home", protocol=mqtt.MQTTv311)
    if user:
        client.username_pw_set(user, password)
    client.on_connect = lambda _client, _data, _flags, reason, _properties: answers.append(reason.is_failure)
    client.connect("127.0.0.1", node.mqtt_port)
    deadline = time.monotonic() + 10
    while not answers and time.monotonic() < deadline:
        client.loop(0.1)
    assert answers == [True]
    asyncio.run(nothing_left(node))


def test_another_number_of_partitions_is_refused_at_the_start(node: Node) -> None:
    """Settings with more or fewer partitions than the broker has do not start, and say so with the number."""
    for partitions in (PARTITIONS - 1, PARTITIONS + 1):
        source = AmqpSource(settings(node, partitions=partitions), StoryClock(), _never)
        with pytest.raises(amqp_topology.PartitionsChanged, match=f"partitions = {partitions}"):
            asyncio.run(source.__aenter__())


def test_a_wrong_password_is_told_with_the_node(node: Node, tmp_path: Path) -> None:
    """A refused worker raises ConnectionError, names the node and does not show the password."""
    wrong = tmp_path / "password"
    wrong.write_text("not this")
    source = AmqpSource(settings(node, password_file=wrong), StoryClock(), _never)
    with pytest.raises(ConnectionError, match=f"127.0.0.1:{node.amqp_port}") as told:
        asyncio.run(source.__aenter__())
    assert "not this" not in str(told.value)


def test_no_broker_is_told_with_all_nodes() -> None:
    """Where no node answers, the error names every node that was tried."""
    one, two = free_ports(2)
    source = AmqpSource(AmqpSettings(nodes=(f"127.0.0.1:{one}", f"127.0.0.1:{two}")), StoryClock(), _never)
    with pytest.raises(ConnectionError, match=rf"127.0.0.1:{one}, 127.0.0.1:{two}"):
        asyncio.run(source.__aenter__())


class Asked:
    """A channel that counts the questions put to it; a closed one refuses them as the library does."""

    def __init__(self, closed: bool) -> None:
        self.closed, self.questions = closed, 0

    def basic_qos(self, prefetch_count: int) -> None:
        self.questions += prefetch_count > 0
        if self.closed:
            raise pika.exceptions.ChannelWrongStateError("Channel is closed.")


def test_a_closed_channel_does_not_spare_the_others_their_question() -> None:
    """At the end each queue's channel is asked whether the broker has heard its acknowledgements, also those after one that is closed."""
    source = AmqpSource(AmqpSettings(nodes=("127.0.0.1:1",), partitions=3), StoryClock(), _never)
    channels = [Asked(closed=True), Asked(closed=False), Asked(closed=False)]
    source._channels[:] = channels
    source._settle()
    assert [channel.questions for channel in channels] == [1, 1, 1]


class Wire:
    """Passes bytes on between a client and a port until it is cut."""

    def __init__(self, to_port: int) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._to_port = to_port
        self._ends: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            near, _ = self._listener.accept()
            far = socket.create_connection(("127.0.0.1", self._to_port))
            self._ends += [near, far]
            for a, b in ((near, far), (far, near)):
                threading.Thread(target=self._pass_on, args=(a, b), daemon=True).start()

    @staticmethod
    def _pass_on(a: socket.socket, b: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := a.recv(65536):
                b.sendall(data)

    def cut(self) -> None:
        for end in self._ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()
        self._listener.close()


def test_a_lost_link_ends_the_process_at_once(node: Node) -> None:
    """When the connection breaks, the worker does not reconnect by itself: it dies with the reason, and nothing was acknowledged."""
    wire = Wire(node.amqp_port)
    died: list[str] = []

    async def work() -> None:
        dead = asyncio.Event()
        loop = asyncio.get_running_loop()

        def die(reason: str) -> None:
            died.append(reason)
            loop.call_soon_threadsafe(dead.set)

        source = AmqpSource(settings(node, nodes=[f"127.0.0.1:{wire.port}"]), StoryClock(), die)
        await source.__aenter__()
        wire.cut()
        async with asyncio.timeout(10):
            await dead.wait()

    asyncio.run(work())
    assert len(died) == 1
    assert died[0]
