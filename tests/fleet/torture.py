"""Kill workers, a node and the database, freeze a node, all under load; then compare what was kept with an undisturbed fold.

`python -m tests.fleet.torture [--short] [--nodes 3] [--seconds 40] …`; exit code 1 if anything was lost, doubled or judged otherwise.
`--short` is what the checks of every change run: each kind of fault once, in two to three minutes.
"""

import argparse
import json
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

from rich.console import Console
from rich.table import Table
from sqlalchemy import create_engine, text
from sqlalchemy.exc import SQLAlchemyError

from api.database import Database
from api.ledger import SqlLedger
from ingest import amqp_topology
from tests.fleet import story
from tests.fleet.postgres import Postgres
from tests.fleet.processes import ROOT, Workers
from tests.fleet.rabbit import PASSWORD, Cluster, Node, password_hash

BATTERIES_A_GATEWAY = 10
PARTITIONS = 8
SETTLE_S = 5.0
"""For a node that came back to follow its queues again."""


class Plan(NamedTuple):
    """What is done to the fleet."""

    nodes: int = 3
    workers: int = 3
    batteries: int = 200
    rate: int = 1500
    seconds: float = 50.0
    kills: int = 2
    """Of each worker."""
    freeze_s: float = 12.0
    seed: int = 1
    patience_s: float = 90.0
    """After the last reading was sent: how long nothing more may come before it counts as lost."""
    thaw_s: float = 15.0
    """How long a frozen node is left alone after it was thawed; 0: it is killed while frozen, as whoever runs a fleet should do."""


SHORT = Plan(batteries=60, rate=300, seconds=45.0, kills=1, freeze_s=10.0, thaw_s=0.0)
"""Judgement: a tenth of the load, so that it is not the speed of a busy machine that is tested."""


class Kept:
    """Watches how many readings are kept, and the longest time in which none was."""

    def __init__(self, url: str) -> None:
        self._engine = create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": 2})
        self.count, self.longest_s, self._moved_s = 0, 0.0, time.monotonic()
        self.watching = threading.Event()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def watch(self) -> None:
        self._moved_s = time.monotonic()
        self.watching.set()

    def _watch(self) -> None:
        while not self._ending.wait(0.25):
            try:
                with self._engine.connect() as connection:
                    count = int(connection.execute(text("SELECT count(*) FROM history")).scalar_one())
            except SQLAlchemyError:
                count = self.count
            now_s = time.monotonic()
            if count != self.count:
                self.count, self._moved_s = count, now_s
            elif self.watching.is_set():
                self.longest_s = max(self.longest_s, now_s - self._moved_s)

    def wait_for(self, expected: int, seconds: float) -> None:
        """Until so many are kept, or nothing more comes for so long."""
        while self.count < expected and time.monotonic() - self._moved_s < seconds:
            time.sleep(0.2)

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self._engine.dispose()


def gateways_of(batteries: list[str]) -> dict[str, list[str]]:
    return {
        f"gw{k // BATTERIES_A_GATEWAY:03d}": batteries[k : k + BATTERIES_A_GATEWAY] for k in range(0, len(batteries), BATTERIES_A_GATEWAY)
    }


def users(gateways: dict[str, list[str]]) -> list[dict[str, Any]]:
    hashed = password_hash(PASSWORD)
    return [amqp_topology.worker("worker", hashed), *(amqp_topology.gateway(name, hashed, of) for name, of in gateways.items())]


def disturbances(plan: Plan, cluster: Cluster, workers: Workers, database: Postgres) -> list[tuple[float, str, Callable[[], None]]]:
    """(share of the run, what, how), in order. A node that was frozen is started again in the end: after a thaw it stays outside otherwise."""
    done: list[tuple[float, str, Callable[[], None]]] = []
    for k in range(plan.kills * plan.workers):
        done.append(
            (
                0.04 + 0.26 * k / max(1, plan.kills * plan.workers),
                f"kill -9 worker {k % plan.workers}",
                lambda n=k % plan.workers: workers.kill(n),
            )
        )  # type: ignore[misc]
    done.append((0.32, "PostgreSQL stopped at once and started", lambda: _restart(database)))
    last = cluster.nodes[-1]
    if plan.nodes > 1:
        killed = cluster.nodes[1]
        done.append((0.36, f"kill -9 node {killed.name}, and it starts again", lambda: cluster.start_again(killed)))
        done.append((0.5, f"node {killed.name} is back", lambda: _back(killed)))
    then = "goes on" if plan.nodes == 1 else "is thawed, is killed and starts again" if plan.thaw_s else "is killed and starts again"
    done.append((0.55, f"node {last.name} is frozen for {plan.freeze_s:.0f} s, then {then}", lambda: _freeze(cluster, last, plan)))
    return sorted(done, key=lambda d: d[0])


def _freeze(cluster: Cluster, node: Node, plan: Plan) -> None:
    node.signal(signal.SIGSTOP)
    time.sleep(plan.freeze_s)
    if plan.thaw_s or plan.nodes == 1:
        node.signal(signal.SIGCONT)
        time.sleep(plan.thaw_s)
    if plan.nodes > 1:
        cluster.start_again(node)


def _back(node: Node) -> None:
    """One fault at a time: with two of three nodes away no queue has a majority, and gateways rightly wait."""
    node.wait()
    time.sleep(SETTLE_S)


def _restart(database: Postgres) -> None:
    database.stop_at_once()
    time.sleep(1.0)
    database.start()


def run(plan: Plan, folder: Path, say: Callable[[str], None]) -> tuple[dict[str, Any], story.Compared, str]:
    """Do it all; gives what the gateways counted, what was found, and the workers' last words."""
    path = folder / "readings.jsonl"
    declared = story.batteries(plan.batteries, plan.seed)
    sent = story.write(path, plan.batteries, int(plan.rate * plan.seconds / plan.batteries), plan.seed)
    gateways = gateways_of([battery.id for battery in declared])
    definitions = amqp_topology.definitions(PARTITIONS, plan.nodes, users(gateways))
    say(f"{sent} readings of {plan.batteries} batteries are written; {plan.nodes} broker nodes start")
    with Postgres() as postgres, Cluster(folder / "broker", plan.nodes, definitions) as cluster, Database(postgres.url) as database:
        ledger = SqlLedger(database)
        for battery in declared:
            ledger.declare(battery, 0, "fleet")
        (folder / "password").write_text(PASSWORD)
        amqp = {"nodes": cluster.amqp, "password_file": str(folder / "password"), "partitions": PARTITIONS, "members": plan.nodes}
        kept = Kept(postgres.url)
        try:
            with Workers(folder, plan.workers, amqp, postgres.url) as workers:
                counted = _under_load(plan, folder, path, gateways, cluster, workers, postgres, kept, say)
                kept.wait_for(sent, plan.patience_s)
                workers.stop()
                words, restarts = workers.logs(), workers.restarts
        finally:
            kept.close()
        say("what was kept is compared with an undisturbed fold")
        told = story.truth(path, declared)
        return {**counted, "longest_silence_s": round(kept.longest_s, 1), "restarts": restarts}, story.compare(database, told), words


def _under_load(
    plan: Plan, folder: Path, path: Path, gateways: dict[str, list[str]], cluster: Cluster, workers: Workers, postgres: Postgres,
    kept: Kept, say: Callable[[str], None],
) -> dict[str, Any]:  # fmt: skip
    told = {
        "nodes": [node.mqtt_port for node in cluster.nodes], "password": PASSWORD, "gateways": gateways, "rate": plan.rate, "readings": str(path),
    }  # fmt: skip
    (folder / "plan.json").write_text(json.dumps(told))
    command = [sys.executable, "-m", "tests.fleet.gateways", str(folder / "plan.json")]
    process = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE)
    try:
        while kept.count == 0 and process.poll() is None:
            time.sleep(0.1)
        began_s = time.monotonic()
        kept.watch()
        for share, what, how in disturbances(plan, cluster, workers, postgres):
            time.sleep(max(0.0, began_s + share * plan.seconds - time.monotonic()))
            say(f"{time.monotonic() - began_s:5.1f} s  {what}")
            how()
        said, _ = process.communicate(timeout=plan.seconds + 300)
        kept.watching.clear()
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    counted: dict[str, Any] = json.loads(said)
    return counted


def table(plan: Plan, counted: dict[str, Any], found: story.Compared) -> Table:
    """The result for people."""
    made = Table(title=f"{plan.nodes} nodes, {plan.workers} workers, {plan.batteries} batteries, {plan.rate}/s for {plan.seconds:.0f} s")
    made.add_column("what")
    made.add_column("count", justify="right")
    for what, count in (
        ("sent", counted["sent"]), ("PUBACKed", counted["acknowledged"]), ("kept", found.kept), ("lost", found.lost), ("doubled", found.doubled),
        ("beliefs that differ from the fold", found.beliefs_differ), ("states that differ", found.states_differ),
        ("alert events that differ", found.alerts_differ), ("alerts told and taken back", found.taken_back),
        ("longest silence, s", counted["longest_silence_s"]), ("longest wait for a PUBACK, s", counted["longest_s"]),
        ("workers started again", counted["restarts"]),
    ):  # fmt: skip
        made.add_row(what, str(count))
    return made


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in Plan()._asdict().items():
        parser.add_argument(f"--{name.replace('_', '-')}", type=type(default), default=None)
    parser.add_argument("--short", action="store_true", help="the bounded form; single values may still be given")
    parser.add_argument("--keep", type=Path, default=None, help="a folder for all files, kept afterwards")
    options = vars(parser.parse_args())
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(1))  # so that whoever ends it early leaves no processes behind
    keep, plan = options.pop("keep"), SHORT if options.pop("short") else Plan()
    plan, console = plan._replace(**{name: value for name, value in options.items() if value is not None}), Console()
    with tempfile.TemporaryDirectory(prefix="restvolt-fleet-") as made:
        folder = keep or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        counted, found, words = run(plan, folder, console.print)
    console.print(table(plan, counted, found))
    if not (found.equal and counted["complete"] and counted["acknowledged"] == counted["sent"] == found.kept):
        console.print(words, markup=False)
        return 1
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
