"""What the partitions are made of, without a broker: names, rights, and ids that cannot mean something else in a topic."""

import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analytics.battery import DeclarationError, checked_battery_id
from ingest import amqp_topology
from ingest.amqp_settings import AmqpSettings
from ingest.amqp_source import Window, battery_of


class Recorder:
    """A channel that only remembers what was declared, in the shape of a definitions file."""

    def __init__(self) -> None:
        self.made: list[tuple[object, ...]] = []

    def exchange_declare(self, exchange: str, exchange_type: str, *, durable: bool, arguments: object = None) -> None:
        self.made.append(("exchange", exchange, exchange_type, durable))

    def queue_declare(self, queue: str, *, durable: bool, arguments: object = None) -> None:
        self.made.append(("queue", queue, durable, json.dumps(arguments)))

    def queue_bind(self, queue: str, exchange: str, routing_key: str) -> None:
        self.made.append(("binding", exchange, queue, routing_key))

    def exchange_bind(self, destination: str, source: str, routing_key: str) -> None:
        self.made.append(("binding", source, destination, routing_key))


@pytest.mark.parametrize("battery_id", ["van7", "v00001", "A_b-3", "x" * 64])
def test_plain_ids_are_accepted(battery_id: str) -> None:
    """Letters, digits, hyphen and underscore make an id that is one level of a topic."""
    assert checked_battery_id(battery_id) == battery_id


@pytest.mark.parametrize("battery_id", ["", "van.7", "van/7", "+", "#", "van 7", "vän", "*", "x" * 65, "van7\n", "$sys"])
def test_ids_that_mean_something_in_a_topic_are_refused(battery_id: str) -> None:
    """Dots, slashes, wildcards and anything outside ASCII are refused with the key, the value and what was expected."""
    with pytest.raises(DeclarationError, match=r"id = .*no dot, no slash"):
        checked_battery_id(battery_id)


@given(st.text(max_size=80))
def test_every_accepted_id_comes_back_from_its_routing_key(battery_id: str) -> None:
    """Any text is either refused or names exactly one battery by its topic, whichever of `/` and `.` the broker shows."""
    try:
        checked_battery_id(battery_id)
    except DeclarationError:
        return
    assert battery_of(f"readings/{battery_id}".replace("/", ".")) == battery_id


@pytest.mark.parametrize("key", ["readings", "readings.", "readings.a.b", "told.a", "readings.a#", ".a"])
def test_other_routing_keys_name_no_battery(key: str) -> None:
    """Anything but `readings.<battery>` raises, so that the message can be refused."""
    with pytest.raises(ValueError, match=r".+"):
        battery_of(key)


def test_the_way_in_is_bound_last() -> None:
    """Readings can only flow once every queue stands: the binding of the topics is the last thing that is declared."""
    recorder = Recorder()
    amqp_topology.declare(recorder, 8, 3)
    assert recorder.made[-1] == ("binding", "amq.topic", "readings-by-battery", "readings.#")
    assert sum(made[0] == "queue" for made in recorder.made) == 9


def test_declaring_and_the_definitions_file_say_the_same() -> None:
    """The file that a broker loads and what a worker declares are the same exchanges, queues and bindings."""
    recorder = Recorder()
    amqp_topology.declare(recorder, 5, 3)
    told = amqp_topology.definitions(5, 3)
    written = {("exchange", e["name"], e["type"], e["durable"]) for e in told["exchanges"]}
    written |= {("queue", q["name"], q["durable"], json.dumps(q["arguments"])) for q in told["queues"]}
    written |= {("binding", b["source"], b["destination"], b["routing_key"]) for b in told["bindings"]}
    assert written == set(recorder.made)


def test_no_queue_can_drop_what_was_acknowledged() -> None:
    """No length limit, no expiry, and refused messages are handed over before they are forgotten."""
    for arguments in (amqp_topology.queue_arguments(3), amqp_topology.refused_arguments(3)):
        assert not {"x-max-length", "x-max-length-bytes", "x-message-ttl", "x-expires"} & set(arguments)
        assert arguments["x-queue-type"] == "quorum"
    assert amqp_topology.queue_arguments(3)["x-dead-letter-strategy"] == "at-least-once"


def test_a_gateway_may_publish_its_own_batteries_only() -> None:
    """The right to publish names whole topics: no neighbour's, no longer name, no second level."""
    rights = amqp_topology.gateway("gw1", "hash", ["van7", "van8"])
    pattern = re.compile(rights["topic_permissions"][0]["write"])
    assert all(pattern.search(t) for t in ("readings.van7", "readings.van8"))
    assert not any(pattern.search(t) for t in ("readings.van9", "readings.van7x", "readings.van7.x", "xreadings.van7", "told.van7"))
    assert rights["user"]["tags"] == []


def test_a_gateway_of_a_strange_battery_is_refused() -> None:
    """A battery id that would be a pattern never reaches the broker's rights."""
    with pytest.raises(DeclarationError):
        amqp_topology.gateway("gw1", "hash", [".*"])


@pytest.mark.parametrize(("there", "wanted"), [(8, 7), (8, 9), (8, 4), (8, 16)])
def test_another_number_of_partitions_than_the_broker_has_is_refused(there: int, wanted: int) -> None:
    """A changed number would move batteries to other queues: it is refused with the number and the queue that shows it."""
    with pytest.raises(amqp_topology.PartitionsChanged, match=f"partitions = {wanted}: .*readings-"):
        amqp_topology.check_partitions(wanted, set(amqp_topology.queue_names(there)).__contains__)


def test_declaring_can_be_watched_by_another_worker() -> None:
    """At no moment of one worker's declaring does a second worker with the same settings see a changed number."""
    recorder = Recorder()
    amqp_topology.declare(recorder, 8, 1)
    there: set[object] = set()
    for made in recorder.made:
        there |= {made[1]} if made[0] == "queue" else set()
        amqp_topology.check_partitions(8, there.__contains__)


@pytest.mark.parametrize("partitions", [0, -1, 100, True])
def test_a_partition_count_that_cannot_be_is_refused(partitions: int) -> None:
    """0, negative and three-digit counts are refused with what was expected."""
    with pytest.raises(ValueError, match="from 1 to 99"):
        amqp_topology.queue_names(partitions)


def test_each_queue_is_home_to_exactly_one_worker() -> None:
    """With any number of workers the queues are shared out without rest or overlap, and each worker begins with another node."""
    workers = [AmqpSettings(nodes=("a:1", "b:2", "c:3"), worker=n, workers=3) for n in range(3)]
    assert [sum(w.is_home(q) for w in workers) for q in range(8)] == [1] * 8
    assert [w.addresses()[0] for w in workers] == [("a", 1), ("b", 2), ("c", 3)]


def test_a_worker_beyond_their_number_is_refused() -> None:
    """Worker 3 of 3 does not exist: they are counted from 0."""
    with pytest.raises(ValueError, match="expected 0 to 2"):
        AmqpSettings(worker=3, workers=3)


@given(st.lists(st.integers(0, 30), unique=True), st.integers(1, 31))
def test_a_multiple_acknowledgement_never_reaches_past_an_open_message(order: list[int], count: int) -> None:
    """In whatever order messages are done, the acknowledged ones are a prefix of those that came, and all of them in the end."""
    window = Window()
    for number in range(count):
        window.came(number)
    done: set[int] = set()
    reached = -1
    for number in [n for n in order if n < count] + [n for n in range(count) if n not in order]:
        done.add(number)
        upto = window.done([number])
        if upto is not None:
            assert upto > reached
            reached = upto
        assert set(range(reached + 1)) <= done
        assert reached + 1 not in done or reached + 1 >= count
    assert reached == count - 1
