"""Readings of a partitioned fleet: one channel a queue, each queue read by one worker at a time, acknowledged after the commit.

One thread speaks to the broker; it catches everything that one message can do wrong. What concerns the link ends the whole
process at once (`die`): closing politely would hand newer messages to the next worker before the unacknowledged older ones
come back (measured), while a torn connection keeps their order. Whatever restarts processes starts a fresh one.
Messages may come twice; telling them apart is the loop's.
"""

import asyncio
import contextlib
import socket
import threading
from collections import deque
from collections.abc import AsyncGenerator, Callable, Sequence
from typing import Any, NamedTuple

import pika  # type: ignore[import-untyped]
import pika.exceptions  # type: ignore[import-untyped]

from analytics.battery import DeclarationError, checked_battery_id
from ingest import amqp_topology
from ingest.amqp_settings import AmqpSettings
from ingest.clock import Clock
from ingest.ending import exit_at_once
from ingest.source import Delivery

LOOK_EVERY_S = 1.0
HOME_FIRST_S = 1.5
"""How long another worker may take to ask for its own queues. Where the broker honours priorities, they settle it later too."""
HOME_PRIORITY, OTHER_PRIORITY = 10, 0
MARK_EVERY_S = 30.0
"""Judgement: a silence is judged after 15 minutes; half a minute more does no harm."""
CONNECT_WITHIN_S = 10.0
NOT_FOUND = 404
"""AMQP 0-9-1, reply codes: not found."""
NAME = "amqp"


class Tag(NamedTuple):
    """What acknowledges a message: its queue and the number the broker gave it there."""

    queue: int
    number: int


class Window:
    """The unacknowledged messages of one queue, in order. A multiple acknowledgement may only reach up to the first that is not done."""

    def __init__(self) -> None:
        self._waiting: deque[int] = deque()
        self._done: set[int] = set()

    def came(self, number: int) -> None:
        self._waiting.append(number)

    def done(self, numbers: Sequence[int]) -> int | None:
        """The highest number up to which all is done now, if that is further than before."""
        self._done.update(numbers)
        upto = None
        while self._waiting and self._waiting[0] in self._done:
            upto = self._waiting.popleft()
            self._done.remove(upto)
        return upto


class AmqpSource:
    """Satisfies ingest.source.Source."""

    def __init__(self, settings: AmqpSettings, clock: Clock, die: Callable[[str], None] = exit_at_once) -> None:
        self.name = NAME
        self.in_flight = settings.prefetch
        self._settings, self._clock, self._die = settings, clock, die
        self._queues = amqp_topology.queue_names(settings.partitions)
        self._windows = [Window() for _ in self._queues]
        self._channels: list[Any] = [None] * len(self._queues)
        self._connection: Any = None
        self._thread: threading.Thread | None = None
        self._stopping = False
        self._lock = threading.Lock()
        self._came: list[Delivery] = []
        self.refused = 0
        """Messages whose topic names no battery; the broker keeps them in the refused queue."""
        self.arrived: Callable[[str], None] = lambda queue: None
        """Called in the loop's thread with the name of a queue once this worker is known to be its reader."""
        self._reads: set[int] = set()
        self._queue_of: dict[str, int] = {}
        self.redelivered = 0

    # --- life, in the loop's thread

    async def __aenter__(self) -> "AmqpSource":
        """Connect and begin to consume. Raises ConnectionError if no node answers, PartitionsChanged if the queues are others."""
        self._loop, self._wake, self._stopping = asyncio.get_running_loop(), asyncio.Event(), False
        ready: asyncio.Future[None] = self._loop.create_future()
        self._thread = threading.Thread(target=self._run, args=(ready,), name=f"source {self.name}", daemon=True)
        self._thread.start()
        await ready
        return self

    async def __aexit__(self, *exc: object) -> None:
        """Tear the connection, in the order that keeps the order: acknowledgements already asked for are heard first, no cancelling."""
        self._ask(self._stop)
        if self._thread is not None:
            await asyncio.to_thread(self._thread.join, CONNECT_WITHIN_S)

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        while True:
            await self._wake.wait()
            self._wake.clear()
            with self._lock:
                came, self._came = self._came, []
            if came:
                yield came

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        tags = [delivery.token for delivery in deliveries if isinstance(delivery.token, Tag)]
        if tags:
            self._ask(lambda: self._acknowledge(tags))

    def partition_of(self, battery_id: str) -> str | None:
        """The queue through which a battery's readings came; None if none has come to this worker."""
        queue = self._queue_of.get(battery_id)
        return None if queue is None else self._queues[queue]

    def _ask(self, what: Callable[[], None]) -> None:
        """Let the broker's thread do it; a connection that is gone is that thread's to report."""
        if self._connection is not None:
            try:
                self._connection.add_callback_threadsafe(what)
            except pika.exceptions.ConnectionWrongStateError:
                return

    # --- in the broker's thread

    def _stop(self) -> None:
        self._stopping = True

    def _run(self, ready: "asyncio.Future[None]") -> None:
        try:
            self._connect()
        except amqp_topology.PartitionsChanged as e:
            self._tear()
            self._loop.call_soon_threadsafe(ready.set_exception, e)
            return
        except Exception as e:
            failed = ConnectionError(f"no node of the fleet's broker let this worker in ({', '.join(self._settings.nodes)}): {_words(e)}")
            failed.__cause__ = e
            self._loop.call_soon_threadsafe(ready.set_exception, failed)
            return
        self._loop.call_soon_threadsafe(ready.set_result, None)
        try:
            while not self._stopping:
                self._connection.process_data_events(time_limit=LOOK_EVERY_S)
                closed = [
                    name for name, channel in zip(self._queues, self._channels, strict=True) if channel is not None and channel.is_closed
                ]
                if closed and not self._stopping:
                    raise ConnectionError(f"the broker closed the channel of {', '.join(closed)}")
            self._settle()
            self._tear()
        except BaseException as e:
            self._die(f"the link to the fleet's broker failed: {_words(e)}")

    def _connect(self) -> None:
        s = self._settings
        password = "" if s.password_file is None else s.password_file.read_text(encoding="utf-8").strip()
        credentials = pika.PlainCredentials(s.username, password)
        self._connection = pika.BlockingConnection([self._parameters(host, port, credentials) for host, port in s.addresses()])
        amqp_topology.check_partitions(s.partitions, self._exists)
        if s.declare:
            amqp_topology.declare(self._connection.channel(), s.partitions, s.members)
        for queue in range(len(self._queues)):
            if s.is_home(queue):
                self._consume(queue)
        if s.workers > 1:
            self._connection.call_later(HOME_FIRST_S, self._consume_others)
        self._marks = self._connection.channel()
        self._connection.call_later(2 * HOME_FIRST_S, self._mark)

    def _exists(self, queue: str) -> bool:
        channel = self._connection.channel()
        try:
            channel.queue_declare(queue, passive=True)
        except pika.exceptions.ChannelClosedByBroker as e:
            if e.reply_code == NOT_FOUND:
                return False
            raise
        channel.close()
        return True

    def _parameters(self, host: str, port: int, credentials: Any) -> Any:
        s = self._settings
        options = None
        if s.tls:
            import ssl

            options = pika.SSLOptions(ssl.create_default_context(cafile=s.ca_file), host)
        return pika.ConnectionParameters(
            host, port, credentials=credentials, heartbeat=s.heartbeat_s, ssl_options=options, blocked_connection_timeout=300,
            socket_timeout=CONNECT_WITHIN_S, stack_timeout=CONNECT_WITHIN_S, connection_attempts=1,
            tcp_options={"TCP_USER_TIMEOUT": 2000 * s.heartbeat_s},
            client_properties={"connection_name": f"restvolt worker {s.worker + 1} of {s.workers}"},
        )  # fmt: skip

    def _consume_others(self) -> None:
        for queue in range(len(self._queues)):
            if not self._settings.is_home(queue):
                self._consume(queue)

    def _mark(self) -> None:
        """A mark in every queue: its reader learns that it is, though no battery of it speaks. Lost ones do not matter."""
        for name in self._queues:
            self._marks.basic_publish(amqp_topology.MARKS, name, b"")
        self._connection.call_later(MARK_EVERY_S, self._mark)

    def _consume(self, queue: int) -> None:
        channel = self._connection.channel()
        channel.basic_qos(prefetch_count=self._settings.prefetch)
        channel.add_on_cancel_callback(lambda _: self._die(f"the broker took the queue {self._queues[queue]} away"))
        priority = HOME_PRIORITY if self._settings.is_home(queue) else OTHER_PRIORITY
        channel.basic_consume(
            self._queues[queue], lambda *message: self._on_message(queue, *message), auto_ack=False, arguments={"x-priority": priority}
        )
        self._channels[queue] = channel

    def _on_message(self, queue: int, channel: Any, method: Any, _properties: Any, body: bytes) -> None:
        """Whatever one message can do wrong ends here: it is refused to the broker's own queue for such, and the next one follows."""
        if queue not in self._reads:
            self._reads.add(queue)
            self._loop.call_soon_threadsafe(self.arrived, self._queues[queue])
        if method.exchange == amqp_topology.MARKS:
            channel.basic_ack(method.delivery_tag)
            return
        try:
            battery_id = battery_of(method.routing_key)
        except (DeclarationError, ValueError):
            self.refused += 1
            channel.basic_reject(method.delivery_tag, requeue=False)
            return
        self.redelivered += bool(method.redelivered)
        delivery = Delivery(
            f"{self.name}:{method.routing_key}", battery_id, self._settings.format, body,
            self._clock.wall_ms(), self._clock.monotonic_ms(), token=Tag(queue, method.delivery_tag),
        )  # fmt: skip
        self._queue_of[battery_id] = queue
        self._windows[queue].came(method.delivery_tag)
        with self._lock:
            first = not self._came
            self._came.append(delivery)
        if first:
            self._loop.call_soon_threadsafe(self._wake.set)

    def _acknowledge(self, tags: Sequence[Tag]) -> None:
        numbers: dict[int, list[int]] = {}
        for queue, number in tags:
            numbers.setdefault(queue, []).append(number)
        for queue, of_queue in numbers.items():
            upto = self._windows[queue].done(of_queue)
            if upto is not None:
                self._channels[queue].basic_ack(upto, multiple=True)

    def _settle(self) -> None:
        """Wait until the broker has heard each queue's acknowledgements: a torn link may take with it what it has not read yet.

        A channel answers in the order in which it was spoken to, so any question that changes nothing will do.
        """
        for channel in self._channels:
            if channel is not None:
                with contextlib.suppress(pika.exceptions.AMQPError):  # one that is closed must not spare the others their question
                    channel.basic_qos(prefetch_count=self._settings.prefetch)

    def _tear(self) -> None:
        """End the connection as a crash would. The library has no public call for it; a close would cancel the consumers first."""
        transport = self._connection._impl._transport
        if transport is not None:
            transport._sock.shutdown(socket.SHUT_RDWR)
            with contextlib.suppress(pika.exceptions.AMQPError):
                while self._connection.is_open:  # the library finds the link lost and tidies up
                    self._connection.process_data_events(time_limit=LOOK_EVERY_S)


def battery_of(routing_key: str) -> str:
    """The battery of `readings.<battery>`. Raises ValueError or DeclarationError for any other form."""
    begin, _, battery_id = routing_key.partition(".")
    if begin != "readings":
        raise ValueError(f"{routing_key}: expected readings.<battery>")
    return checked_battery_id(battery_id)


def _words(error: BaseException) -> str:
    """An error of the library in one line; many of them have no text of their own."""
    cause = error
    if isinstance(error, pika.exceptions.AMQPConnectionError) and error.args and isinstance(error.args[0], BaseException):
        cause = error.args[0]
    return f"{type(cause).__name__} {cause}".strip()
