"""Speed of the whole fleet path as a ratio to a bare consumer of the same queues: `python -m tests.fleet.speed [--nodes 3] [--readings 20000]`.

Readings are published first and drained afterwards, so that gateways take no part: once by a consumer that only acknowledges, once by a
worker that decodes, folds, judges and commits to PostgreSQL. Nothing is asserted; a table is printed.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pika  # type: ignore[import-untyped]

from api.database import Database
from api.ledger import SqlLedger
from ingest import amqp_topology
from tests.benchmarks.scene import row
from tests.fleet import story
from tests.fleet.postgres import Postgres
from tests.fleet.processes import ROOT, Workers
from tests.fleet.rabbit import PASSWORD, Cluster
from tests.fleet.torture import PARTITIONS, Kept, gateways_of, users

BATTERIES = 200


def fill(folder: Path, cluster: Cluster, gateways: dict[str, list[str]]) -> float:
    """Publish everything; gives PUBACKs a second."""
    plan = {
        "nodes": [node.mqtt_port for node in cluster.nodes], "password": PASSWORD, "gateways": gateways, "rate": 1e9,
        "readings": str(folder / "readings.jsonl"),
    }  # fmt: skip
    (folder / "plan.json").write_text(json.dumps(plan))
    began_s = time.monotonic()
    command = [sys.executable, "-m", "tests.fleet.gateways", str(folder / "plan.json")]
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, stdin=subprocess.DEVNULL)
    return float(json.loads(done.stdout)["acknowledged"]) / (time.monotonic() - began_s)


def bare(cluster: Cluster, count: int) -> tuple[float, float]:
    """A consumer that does nothing but acknowledge in batches: messages a second, and CPU microseconds each."""
    where = pika.ConnectionParameters("127.0.0.1", cluster.nodes[0].amqp_port, credentials=pika.PlainCredentials("worker", PASSWORD))
    connection = pika.BlockingConnection(where)
    seen = 0

    def on_message(channel: object, method: object, _properties: object, _body: bytes) -> None:
        nonlocal seen
        seen += 1
        if method.delivery_tag % 50 == 0:  # type: ignore[attr-defined]
            channel.basic_ack(method.delivery_tag, multiple=True)  # type: ignore[attr-defined]

    began_s, cpu_s = time.monotonic(), time.process_time()
    channels = [connection.channel() for _ in range(PARTITIONS)]
    for channel, name in zip(channels, amqp_topology.queue_names(PARTITIONS), strict=True):
        channel.basic_qos(prefetch_count=100)
        channel.basic_consume(name, on_message)
    while seen < count:
        connection.process_data_events(time_limit=1)
    took_s, cpu_s = time.monotonic() - began_s, time.process_time() - cpu_s
    for channel in channels:
        channel.basic_ack(0, multiple=True)  # all: what came again would be the newest readings, and make all others late
    connection.close()
    return count / took_s, cpu_s / count * 1e6


def worked(folder: Path, cluster: Cluster, postgres: Postgres, count: int, nodes: int) -> tuple[float, float]:
    """One worker with all partitions: readings a second, from its first commit to its last, and CPU microseconds each (its start included)."""
    amqp = {"nodes": cluster.amqp, "password_file": str(folder / "password"), "partitions": PARTITIONS, "members": nodes}
    kept = Kept(postgres.url)
    try:
        with Workers(folder, 1, amqp, postgres.url) as workers:
            while kept.count == 0:
                time.sleep(0.02)
            began_s, first = time.monotonic(), kept.count
            kept.wait_for(count, 60)
            if kept.count < count:
                raise RuntimeError(f"{count - kept.count} readings did not come")
            return (count - first) / (time.monotonic() - began_s), workers.cpu_s(0) / count * 1e6
    finally:
        kept.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nodes", type=int, default=1)
    parser.add_argument("--readings", type=int, default=20_000)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="restvolt-fleet-") as made:
        folder = Path(made)
        declared = story.batteries(BATTERIES, 1)
        count = story.write(folder / "readings.jsonl", BATTERIES, options.readings // BATTERIES, 1)
        gateways = gateways_of([battery.id for battery in declared])
        definitions = amqp_topology.definitions(PARTITIONS, options.nodes, users(gateways))
        with Postgres() as postgres, Cluster(folder / "broker", options.nodes, definitions) as cluster, Database(postgres.url) as database:
            ledger = SqlLedger(database)
            for battery in declared:
                ledger.declare(battery, 0, "fleet")
            (folder / "password").write_text(PASSWORD)
            published = fill(folder, cluster, gateways)
            consumed, each_us = bare(cluster, count)
            fill(folder, cluster, gateways)
            kept, worked_us = worked(folder, cluster, postgres, count, options.nodes)
    where = f"{options.nodes} broker node{'s' if options.nodes > 1 else ''}"
    row(f"{where}: PUBACKed to gateways, a second", f"{published:,.0f}", "")
    row(f"{where}: bare queue consumer, a second", f"{consumed:,.0f} ({each_us:.0f} us CPU)", "the limit")
    row(f"{where}: decoded, judged, kept, acknowledged, a second", f"{kept:,.0f} ({worked_us:.0f} us CPU)", "")
    row(f"{where}: whole path, one worker, against the bare consumer", f"{kept / consumed:.2f}", "")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
