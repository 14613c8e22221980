"""A van's service in miniature, to be killed: it writes readings of two batteries and relays them. `python -m tests.api.relay_process DB PORT N`."""

import sys
import threading

from analytics.assessment import Assessment, Details
from analytics.batch import Batch
from analytics.battery import Battery
from analytics.reading import Reading, on_the_grid
from api.database import Database
from api.ledger import SqlLedger
from api.relay import Relay
from api.relay_link import RelaySettings

T0 = 1_790_000_000_000
BATTERIES = ("house", "starter")


def reading(battery_id: str, i: int) -> Reading:
    """The i-th minute of a battery: the same in every process."""
    return on_the_grid(Reading(battery_id, T0 + i * 60_000, 12.0 + (i % 900) / 1000, -0.5 - (i % 40) / 10, 15.5, -i / 100, i + 1))


def assessment(reading: Reading) -> Assessment:
    """Something to keep with it."""
    return Assessment(reading.battery_id, reading.at_ms, reading.voltage_v, None, None, 80.0, 70.0, 90.0, "resting", None, Details(0))


def main(path: str, port: int, count: int) -> None:
    """Go on writing where the last process was killed, until there are `count` readings of each battery; relay until killed."""
    ledger = SqlLedger(Database(path).open())
    for battery_id in BATTERIES:
        ledger.declare(Battery(battery_id, "agm", 100.0), T0, "test")
    settings = RelaySettings(
        host="127.0.0.1", port=port, client_id="van-7", topic="readings/{battery}", batteries={"house": "van7-house"}, tls=False,
        most_bytes_per_s=2_000_000, every_s=0.05,
    )  # fmt: skip
    stop = threading.Event()
    threading.Thread(target=Relay(settings, ledger.history, ledger, first_wait_s=0.1).run, args=(stop,), daemon=True).start()
    print("running", flush=True)
    last_ms = ledger.history.last_ms("house")
    i = 0 if last_ms is None else (last_ms - T0) // 60_000 + 1
    while i < count:
        batch = Batch()
        for k in range(i, min(i + 10, count)):
            batch.kept += [(r := reading(battery_id, k), assessment(r)) for battery_id in BATTERIES]
        ledger.commit(batch)
        i += 10
    stop.wait()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
