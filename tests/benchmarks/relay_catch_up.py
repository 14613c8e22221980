"""How fast a relay catches up after a month offline, against a bare publisher of the same messages in the same run. Needs mosquitto.

`python -m tests.benchmarks.relay_catch_up [days]`. A month of minutes of one battery in SQLite, a broker on the loopback, no limit on the
bandwidth; then six days of it with a limit. What is newest must arrive first, or the figures are refused.
"""

import multiprocessing
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from analytics.batch import Batch
from analytics.battery import Battery
from api.database import Database
from api.ledger import SqlLedger
from api.relay import MOST_MESSAGES, MOST_READINGS, Relay, encoded
from api.relay_link import RelaySettings
from tests.api.relay_process import T0, assessment, reading
from tests.benchmarks.scene import row
from tests.brokers import DURABLE, Broker

DAYS = 30
LIMIT, LIMITED = 50_000, 6 * 1440
"""Bytes a second of the limited run, and its readings: six days in some twelve seconds."""


def hear(port: int, count: int, pipe: Any) -> None:
    """A process that counts readings; sends 1 when it listens, and the time of the first that came once all are there."""
    heard, first, listening, over = [0], [0], threading.Event(), threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "fleet", clean_session=True)

    def on_message(_client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
        readings = orjson.loads(message.payload)
        first[0] = first[0] or readings[0]["time_ms"]
        heard[0] += len(readings)
        if heard[0] >= count:
            over.set()

    client.on_message, client.on_subscribe = on_message, lambda *_: listening.set()
    client.on_connect = lambda c, *_: c.subscribe("readings/+", 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    listening.wait(20)
    pipe.send(1)
    over.wait(300)
    pipe.send(first[0])
    client.disconnect()
    client.loop_stop()


def publish(port: int, payloads: Sequence[bytes]) -> None:
    """The bare limit: ready messages, as many on their way at once as the relay allows itself."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bare")
    client.max_inflight_messages_set(MOST_MESSAGES)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for sent in [client.publish("readings/house", payload, qos=1) for payload in payloads]:
        sent.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


def relayed(ledger: SqlLedger, port: int, name: str, most_bytes_per_s: int, over: Any) -> tuple[Relay, list[tuple[float, int]]]:
    """Run a relay until `over` has something to say; also the moments when it had more acknowledged, with the bytes up to then."""
    settings = RelaySettings(host="127.0.0.1", port=port, client_id=name, tls=False, most_bytes_per_s=most_bytes_per_s)
    relay, stop = Relay(settings, ledger.history, ledger), threading.Event()
    thread = threading.Thread(target=relay.run, args=(stop,))
    thread.start()
    seen: list[tuple[float, int]] = []
    while not over.poll(0.02):
        if relay.sent_bytes and (not seen or seen[-1][1] < relay.sent_bytes):
            seen.append((time.monotonic(), relay.sent_bytes))
    stop.set()
    thread.join()
    return relay, seen


def measured(port: int, count: int, work: Any) -> tuple[float, int]:
    """Seconds until `count` readings were heard, and the time of the first reading that was."""
    ours, theirs = multiprocessing.get_context("spawn").Pipe()
    listener = multiprocessing.get_context("spawn").Process(target=hear, args=(port, count, theirs))
    listener.start()
    ours.recv()
    began = time.perf_counter()
    work(ours)
    first = ours.recv()
    seconds = time.perf_counter() - began
    listener.join()
    return seconds, first


def main(days: int = DAYS) -> None:
    """Print the rows of the table."""
    count = days * 1440
    with tempfile.TemporaryDirectory() as name, Broker(Path(name), *DURABLE) as broker, Database(str(Path(name) / "van.db")) as database:
        ledger = SqlLedger(database)
        ledger.declare(Battery("house", "agm", 100.0), T0, "bench")
        rows = [reading("house", k) for k in range(count)]
        for i in range(0, count, 1000):
            ledger.commit(Batch(kept=[(r, assessment(r)) for r in rows[i : i + 1000]]))
        payloads = [encoded(rows[i : i + MOST_READINGS], 1 + i // MOST_READINGS) for i in range(0, count, MOST_READINGS)]
        bare_s, _ = measured(broker.port, count, lambda _: publish(broker.port, payloads))
        relays: list[tuple[Relay, list[tuple[float, int]]]] = []
        seconds, first = measured(broker.port, count, lambda over: relays.append(relayed(ledger, broker.port, "free", 100_000_000, over)))
        if first < rows[-12].at_ms:
            raise AssertionError("the relay did not send the newest readings first")
        measured(broker.port, min(count, LIMITED), lambda over: relays.append(relayed(ledger, broker.port, "slow", LIMIT, over)))
    row(f"bare publisher, {days} days of minutes as ready messages, readings a second", f"{count / bare_s:,.0f}", "the limit")
    row(
        f"relay after {days} days offline, readings a second",
        f"{count / seconds:,.0f} ({relays[0][0].sent_bytes / count:.0f} bytes each)",
        "",
    )
    row("relay against the bare publisher (newest first, then the backlog in order)", f"{bare_s / seconds:.2f}", "")
    (began_s, before), *_, (ended_s, after) = relays[1][
        1
    ]  # a window is paid for after it was sent: the first one's bytes are not this time's
    used = (after - before) / (ended_s - began_s) / LIMIT
    row(f"bandwidth used of {LIMIT / 1000:.0f} kB/s allowed, over whole windows", f"{used:.2f}", "at most 1")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else DAYS)
