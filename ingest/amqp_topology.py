"""Which exchanges, queues and bindings a partitioned fleet needs, once: declared over AMQP or given as a definitions file.

Topics `readings/<battery>` → `amq.topic` → (`readings.#`) → a consistent-hash exchange → durable quorum queues, each read by
one worker at a time. A message that nobody can use goes to the refused queue. Marks are what workers tell each other in a
queue: whoever gets one is its reader. Nothing is consumed or connected here.

All of it must stand before the first gateway is let in: a topic that leads nowhere is acknowledged and gone.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from analytics.battery import checked_battery_id

TOPICS, HASHED, REFUSED, MARKS = "amq.topic", "readings-by-battery", "readings-refused", "readings-marks"
ROUTING_KEY = "readings.#"
WEIGHT = "10"
"""Share of the hash ring of each queue; equal for all. Judgement: more points on the ring spread small fleets better."""
SOURCE_QUEUE = "readings-{:02d}"

NEVER_GIVEN_UP = {
    "name": "readings are never given up", "vhost": "/", "pattern": "^readings-", "apply-to": "queues", "priority": 0,
    "definition": {"delivery-limit": -1},
}  # fmt: skip
"""For brokers from 4.0 on (release notes 4.0.1): their limit of 20 deliveries counts every crash of a worker for all it had fetched."""


class PartitionsChanged(RuntimeError):  # noqa: N818 - named for what happened
    """The broker has another number of partitions than the settings say; going on would move batteries while both are read."""


class Channel(Protocol):
    """What is used of pika's blocking channel."""

    def exchange_declare(
        self, exchange: str, exchange_type: str, *, durable: bool, arguments: Mapping[str, Any] | None = None
    ) -> object: ...

    def queue_declare(self, queue: str, *, durable: bool, arguments: Mapping[str, Any] | None = None) -> object: ...

    def queue_bind(self, queue: str, exchange: str, routing_key: str) -> object: ...

    def exchange_bind(self, destination: str, source: str, routing_key: str) -> object: ...


def queue_names(partitions: int) -> list[str]:
    """The queues, in order."""
    if isinstance(partitions, bool) or not 1 <= partitions <= 99:
        raise ValueError(f"partitions = {partitions}: expected a whole number from 1 to 99")
    return [SOURCE_QUEUE.format(number) for number in range(partitions)]


def check_partitions(partitions: int, exists: Callable[[str], bool]) -> None:
    """Raises PartitionsChanged where the broker has fewer or more partitions than wanted; none at all is fine.

    Safe while another worker declares, since `declare` makes the first queue last.
    """
    first, last, beyond = SOURCE_QUEUE.format(0), SOURCE_QUEUE.format(partitions - 1), SOURCE_QUEUE.format(partitions)
    if exists(beyond):
        wrong = f"the broker has more, at least {beyond}"
    elif exists(first) and not exists(last):
        wrong = f"the broker has fewer: {last} is missing"
    else:
        return
    raise PartitionsChanged(
        f"partitions = {partitions}: {wrong}. A new number moves batteries to other queues; DEVELOPERS.md says how to change it without loss"
    )


def queue_arguments(nodes: int) -> dict[str, Any]:
    """Arguments of a partition's queue. No length limit: with one, the broker would drop what it acknowledged.

    `nodes`: how many members a queue has at first; leaders are spread, because otherwise all sit on the declaring node.
    """
    return {
        "x-queue-type": "quorum",
        "x-single-active-consumer": True,
        "x-quorum-initial-group-size": nodes,
        "x-queue-leader-locator": "balanced",
        "x-dead-letter-exchange": REFUSED,
        "x-dead-letter-strategy": "at-least-once",
        "x-overflow": "reject-publish",
    }


def refused_arguments(nodes: int) -> dict[str, Any]:
    return {"x-queue-type": "quorum", "x-quorum-initial-group-size": nodes}


def declare(channel: Channel, partitions: int, nodes: int = 1) -> None:
    """Declare everything; declaring it again changes nothing. What gateways publish into is bound last.

    Raises the library's error if a queue exists with other arguments (its words say which).
    """
    names = queue_names(partitions)
    channel.exchange_declare(REFUSED, "fanout", durable=True)
    channel.queue_declare(REFUSED, durable=True, arguments=refused_arguments(nodes))
    channel.queue_bind(REFUSED, REFUSED, "")
    channel.exchange_declare(HASHED, "x-consistent-hash", durable=True)
    channel.exchange_declare(MARKS, "direct", durable=True)
    for name in reversed(names):
        channel.queue_declare(name, durable=True, arguments=queue_arguments(nodes))
        channel.queue_bind(name, HASHED, WEIGHT)
        channel.queue_bind(name, MARKS, name)
    channel.exchange_bind(HASHED, TOPICS, ROUTING_KEY)


def definitions(partitions: int, nodes: int = 1, users: Sequence[Mapping[str, Any]] = ()) -> dict[str, Any]:
    """The same as a definitions file, for a broker that loads it before it lets anyone in. `users`: see `gateway` and `worker`."""
    names = queue_names(partitions)
    queues = [{"name": REFUSED, "vhost": "/", "durable": True, "auto_delete": False, "arguments": refused_arguments(nodes)}]
    queues += [{"name": n, "vhost": "/", "durable": True, "auto_delete": False, "arguments": queue_arguments(nodes)} for n in names]
    bindings = [_binding(REFUSED, REFUSED, "queue", "")]
    bindings += [_binding(HASHED, name, "queue", WEIGHT) for name in names]
    bindings += [_binding(MARKS, name, "queue", name) for name in names]
    bindings += [_binding(TOPICS, HASHED, "exchange", ROUTING_KEY)]
    return {
        "vhosts": [{"name": "/"}],
        "users": [u["user"] for u in users],
        "permissions": [u["permission"] for u in users],
        "topic_permissions": [p for u in users for p in u.get("topic_permissions", ())],
        "exchanges": [_exchange(REFUSED, "fanout"), _exchange(HASHED, "x-consistent-hash"), _exchange(MARKS, "direct")],
        "queues": queues,
        "bindings": bindings,
    }


def gateway(name: str, password_hash: str, batteries: Sequence[str] = ()) -> dict[str, Any]:
    """A gateway's user: it may publish the readings of its batteries (by default: of the one called like itself) and nothing else.

    The rights name the batteries, never the client id: that one is chosen by the client and read as a pattern (measured).
    """
    mine = "|".join(checked_battery_id(battery_id) for battery_id in batteries or (name,))
    own_queues = "^mqtt-subscription-.*"
    rights = {"configure": own_queues, "write": r"^(amq\.topic|mqtt-subscription-.*)$", "read": r"^(amq\.topic|mqtt-subscription-.*)$"}
    topics = {"exchange": TOPICS, "write": rf"^readings\.({mine})$", "read": rf"^told\.{checked_battery_id(name)}$"}
    who = {"user": name, "vhost": "/"}
    return {
        "user": {"name": name, "password_hash": password_hash, "hashing_algorithm": "rabbit_password_hashing_sha256", "tags": []},
        "permission": {**who, **rights},
        "topic_permissions": [{**who, **topics}],
    }


def worker(name: str, password_hash: str, *, tags: Sequence[str] = ()) -> dict[str, Any]:
    """A worker's user: it declares, binds and reads the partitions. It has no right to publish as a gateway does."""
    ours = "^readings-.*"
    return {
        "user": {"name": name, "password_hash": password_hash, "hashing_algorithm": "rabbit_password_hashing_sha256", "tags": list(tags)},
        "permission": {"user": name, "vhost": "/", "configure": ours, "write": ours, "read": r"^(readings-.*|amq\.topic)$"},
    }


def _exchange(name: str, kind: str) -> dict[str, Any]:
    return {"name": name, "vhost": "/", "type": kind, "durable": True, "auto_delete": False, "internal": False, "arguments": {}}


def _binding(source: str, destination: str, kind: str, routing_key: str) -> dict[str, Any]:
    return {
        "source": source, "vhost": "/", "destination": destination, "destination_type": kind, "routing_key": routing_key, "arguments": {},
    }  # fmt: skip
