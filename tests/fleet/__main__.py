"""A fleet on the loopback until Ctrl-C: broker, PostgreSQL and workers as processes, simulated gateways, the API. `make fleet`."""

import argparse
import json
import signal
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from api.database import Database
from api.ledger import SqlLedger
from ingest import amqp_topology
from simulators import fleet
from simulators.story import wall_s
from tests.fleet.postgres import Postgres
from tests.fleet.processes import ROOT
from tests.fleet.rabbit import PASSWORD, Cluster, free_ports, password_hash
from tests.fleet.tether import Tethered
from tests.fleet.worker import FIELDS

SETTINGS = """
data = "{folder}/{name}"
database_url = "{database}"
[keep]
commit_every_s = 0.2
checkpoint_readings = 50
[web]
port = {port}
[format.json]
{fields}
"""
SOURCE = """
[[source]]
kind = "amqp"
nodes = [{nodes}]
password_file = "{folder}/password"
worker = {worker}
workers = {workers}
members = {members}
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nodes", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--vehicles", type=int, default=100)
    parser.add_argument("--every", type=float, default=600.0, help="seconds of the story between readings")
    parser.add_argument("--days", type=float, default=7.0, help="of the story, ending now")
    parser.add_argument("--rate", type=float, default=300.0, help="readings a second")
    parser.add_argument("--for", dest="seconds", type=float, default=None, help="end after so many seconds")
    options = parser.parse_args()
    over = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: over.set())
    with tempfile.TemporaryDirectory(prefix="restvolt-fleet-") as made:
        return run(options, Path(made), over)


def run(options: argparse.Namespace, folder: Path, over: threading.Event) -> int:
    hashed = password_hash(PASSWORD)
    names = [fleet.declared(number)["id"] for number in range(options.vehicles)]
    users = [amqp_topology.worker("worker", hashed), amqp_topology.gateway("gateway", hashed, names)]
    _say("PostgreSQL and the broker start …")
    with Postgres() as postgres, Cluster(folder / "broker", options.nodes, amqp_topology.definitions(8, options.nodes, users)) as cluster:
        (folder / "password").write_text(PASSWORD)
        _declare(postgres.url, options.vehicles)
        ports = free_ports(options.workers + 1)
        parts = [
            _service(folder, f"worker-{n}", postgres.url, ports[n], _source(folder, cluster, n, options)) for n in range(options.workers)
        ]
        parts.append(_service(folder, "api", postgres.url, ports[-1], ""))
        try:
            _say(f"{options.workers} workers and the API start; the page will be at http://127.0.0.1:{ports[-1]}. Ctrl-C ends.")
            gateway = _gateway(folder, cluster, options)
            parts.append(gateway)
            began_s = time.monotonic()
            while not over.wait(1.0) and (options.seconds is None or time.monotonic() - began_s < options.seconds):
                pass
            _say(_kept(postgres.url))
        finally:
            for part in parts:
                part.kill()
    return 0


def _declare(url: str, vehicles: int) -> None:
    from api.declaration import checked

    with Database(url) as database:
        ledger = SqlLedger(database)
        for number in range(vehicles):
            ledger.declare(checked(fleet.declared(number)), 0, "make fleet")


def _source(folder: Path, cluster: Cluster, worker: int, options: argparse.Namespace) -> str:
    nodes = ", ".join(f'"{node}"' for node in cluster.amqp)
    return SOURCE.format(nodes=nodes, folder=folder, worker=worker, workers=options.workers, members=options.nodes)


def _service(folder: Path, name: str, database: str, port: int, source: str) -> Tethered:
    fields = "\n".join(f"{key} = {_toml(value)}" for key, value in FIELDS.items())
    path = folder / f"{name}.toml"
    path.write_text(SETTINGS.format(folder=folder, name=name, database=database, port=port, fields=fields) + source)
    script = f'while :; do "{sys.executable}" -c "from api.cli import main; main()" run --settings "{path}"; sleep 0.5; done'
    return Tethered(["sh", "-c", script], cwd=ROOT, log=folder / f"{name}.log")


def _toml(value: Any) -> str:
    return f'{{ field = "{value["field"]}" }}' if isinstance(value, dict) else json.dumps(value)


def _gateway(folder: Path, cluster: Cluster, options: argparse.Namespace) -> Tethered:
    readings = max(1, int(options.days * 86400 / options.every))
    path = folder / "readings.jsonl"
    with path.open("w") as out:
        for topic, payload in fleet.messages(options.vehicles, readings, options.every, wall_s(), offline=0.0):
            if payload.startswith(b"{"):
                out.write(json.dumps([topic.partition("/")[2], payload.decode()]) + "\n")
    names = [fleet.declared(number)["id"] for number in range(options.vehicles)]
    plan = {
        "nodes": [node.mqtt_port for node in cluster.nodes], "password": PASSWORD, "gateways": {"gateway": names}, "rate": options.rate,
        "readings": str(path),
    }  # fmt: skip
    (folder / "plan.json").write_text(json.dumps(plan))
    _say(f"{sum(1 for _ in path.open())} readings are published at {options.rate:.0f} a second")
    return Tethered([sys.executable, "-m", "tests.fleet.gateways", str(folder / "plan.json")], cwd=ROOT, log=folder / "gateways.log")


def _kept(url: str) -> str:
    from sqlalchemy import text

    with Database(url) as database, database.reading() as connection:
        readings = connection.execute(text("SELECT count(*) FROM history")).scalar_one()
        alerts = connection.execute(text("SELECT count(*) FROM alerts")).scalar_one()
    return f"{readings} readings and {alerts} alerts are kept."


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    raise SystemExit(main())
