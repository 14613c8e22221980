"""How fast a relay catches up after a month offline: `python -m tests.benchmarks.relay_catch_up [days]`. Needs mosquitto.

A month of minutes of one battery in SQLite, a broker on the loopback, a subscriber that only counts; no limit on the bandwidth.
"""

import sys
import tempfile
import threading
import time
from pathlib import Path

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from analytics.batch import Batch
from analytics.battery import Battery
from api.database import Database
from api.ledger import SqlLedger
from api.relay import Relay
from api.relay_link import RelaySettings
from tests.api.relay_process import T0, assessment, reading
from tests.brokers import DURABLE, Broker


def main(days: int) -> None:
    """Print readings a second and bytes a reading."""
    count = days * 1440
    with tempfile.TemporaryDirectory() as name, Broker(Path(name), *DURABLE) as broker, Database(str(Path(name) / "van.db")) as database:
        ledger = SqlLedger(database)
        ledger.declare(Battery("house", "agm", 100.0), T0, "bench")
        for i in range(0, count, 1000):
            ledger.commit(Batch(kept=[((r := reading("house", k)), assessment(r)) for k in range(i, min(i + 1000, count))]))
        heard = [0]
        listening = threading.Event()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, "fleet", clean_session=False)

        def on_message(_client: mqtt.Client, _userdata: object, message: mqtt.MQTTMessage) -> None:
            heard[0] += len(orjson.loads(message.payload))

        client.on_message = on_message
        client.on_subscribe = lambda *_: listening.set()
        client.on_connect = lambda c, *_: c.subscribe("readings/+", 1)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        listening.wait(20)
        settings = RelaySettings(host="127.0.0.1", port=broker.port, client_id="bench", tls=False, most_bytes_per_s=100_000_000)
        relay, stop = Relay(settings, ledger.history, ledger), threading.Event()
        thread = threading.Thread(target=relay.run, args=(stop,))
        began = time.perf_counter()
        thread.start()
        while heard[0] < count:
            time.sleep(0.01)
        seconds = time.perf_counter() - began
        stop.set()
        thread.join()
        client.disconnect()
        client.loop_stop()
    print(
        f"{days} days of minutes, {count:,} readings: {seconds:.1f} s, {count / seconds:,.0f} readings a second, {relay.sent_bytes / count:.0f} bytes each"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 30)
