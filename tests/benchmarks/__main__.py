"""`make bench`: speed and size as ratios against a bare limit measured in the same run. Nothing is asserted; a table is printed."""

import asyncio
import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from analytics.core import begin
from analytics.fold import fold
from api.clock import MachineClock
from api.history.sql import SqlHistory
from api.rollup import roll
from ingest.formats import FORMATS
from ingest.mqtt_source import MqttSettings, MqttSource
from ingest.pipeline import Pipeline, PipelineSettings
from ingest.supervisor import Supervised
from tests.benchmarks import batteries, one_and_many, relay_catch_up, watchers
from tests.benchmarks.scene import BEGIN_MS, battery, readings, row, store
from tests.brokers import Broker, free_port
from tests.databases import postgres_programs
from tests.fleet import rabbit

MESSAGES = 20_000
YEAR = 525_600
QUEUES_S = 150
"""Until a fleet that does not come up is given up; on two quiet cores one takes half a minute."""
JSON = {"decoder": "json", "voltage": "volts", "current": "amps", "temperature": "celsius", "time": {"field": "time", "kind": "rfc3339"}}


def cpu_of(work: Callable[[], object]) -> float:
    """Seconds of this process's CPU, both kinds: two processes on two cores do not disturb it as they do the wall clock."""
    before = time.process_time()
    work()
    return time.process_time() - before


def publish(port: int, count: int) -> None:
    """A publisher in a process of its own, so that it costs the subscriber nothing."""
    code = (
        "from tests.benchmarks.scene import *; import paho.mqtt.client as m; from paho.mqtt.enums import CallbackAPIVersion as C\n"
        f"c = m.Client(C.VERSION2); c.max_inflight_messages_set(200); c.connect('127.0.0.1', {port}); c.loop_start()\n"
        f"sent = [c.publish('readings/b00000', payload(r), qos=1) for r in readings('b00000', {count}, 1000)]\n"
        "sent[-1].wait_for_publish(300); c.disconnect(); c.loop_stop()"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def bare(port: int) -> float:
    """CPU seconds of a subscriber of quality 1 that only counts."""
    seen = 0
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bare", clean_session=False)

    def count(*_: object) -> None:
        nonlocal seen
        seen += 1

    client.on_message = count
    client.connect("127.0.0.1", port)
    client.subscribe("readings/+", 1)
    client.loop(1)
    publisher = subprocess.Popen([sys.executable, "-c", f"from tests.benchmarks.__main__ import publish; publish({port}, {MESSAGES})"])
    before = time.process_time()
    while seen < MESSAGES:
        client.loop(0.1)
    spent = time.process_time() - before
    publisher.wait()
    client.disconnect()
    return spent


def full(port: int, folder: Path) -> float:
    """CPU seconds of the whole path: decode, step, rules, commit, acknowledge."""
    ledger = store(folder)
    clock = MachineClock(0.0)
    make = partial(FORMATS["json"].decoder, FORMATS["json"].settings.model_validate({k: v for k, v in JSON.items() if k != "decoder"}))
    pipeline = Pipeline(ledger, {"yard": make}, clock, PipelineSettings(commit_every_s=1.0))
    settings = MqttSettings(host="127.0.0.1", port=port, topic="readings/{battery}", format="yard", client_id="full", in_flight=1000)
    source = Supervised(MqttSource(settings, clock), clock)

    async def run() -> float:
        running = asyncio.create_task(pipeline.run([source]))
        await source.opened.wait()
        publisher = await asyncio.create_subprocess_exec(
            sys.executable, "-c", f"from tests.benchmarks.__main__ import publish; publish({port}, {MESSAGES})"
        )
        before = time.process_time()
        while pipeline.counters.kept < MESSAGES:
            await asyncio.sleep(0.05)
        spent = time.process_time() - before
        await publisher.wait()
        pipeline.stop()
        await running
        return spent

    spent = asyncio.run(run())
    ledger.database.close()
    return spent


def path(folder: Path) -> None:
    broker = Broker(folder, "max_inflight_messages 1000", "max_queued_messages 100000").start()
    try:
        b, f = bare(broker.port), full(broker.port, folder)
    finally:
        broker.stop()
    per = 1e6 / MESSAGES
    row("bare paho subscriber, quality 1, CPU a message", f"{b * per:.1f} us", "the limit")
    row("broker to commit to acknowledgement, CPU a message", f"{f * per:.1f} us", "")
    row("throughput on one core against the bare subscriber", f"{b / f:.2f}", "at least 0.6")


def year(folder: Path) -> None:
    """A year of minutes: fold, size on disk, and the answer as a thousand points."""
    from analytics.batch import Batch
    from analytics.core import step

    place = folder / "year"
    place.mkdir()
    state = begin(battery())
    rows = list(readings("b00000", YEAR // 4, 60_000))
    tries = [cpu_of(lambda: [None for _ in fold(state, rows)]) for _ in range(3)]
    row("fold of a quarter of minutes, best of three, readings a second", f"{len(rows) / min(tries):,.0f}", "at least 50,000")
    seconds = list(readings("b00000", 100_000, 1_000))
    spent = cpu_of(lambda: [None for _ in fold(state, seconds)])
    row("fold of a day of seconds, readings a second", f"{len(seconds) / spent:,.0f}", "")

    ledger = store(place)
    batch = Batch()
    outcome = None
    for reading in readings("b00000", YEAR, 60_000):
        if outcome is None:
            state, outcome = step(state, reading)
        batch.kept.append((reading, outcome.assessment))
        if len(batch.kept) == 5000:
            ledger.commit(batch)
            batch = Batch()
    ledger.commit(batch)
    with ledger.database.alone() as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("VACUUM")
    row("history on disk", f"{ledger.database.path.stat().st_size / YEAR:.1f} bytes a reading", "at most 40")
    now_ms = BEGIN_MS + YEAR * 60_000 + 86_400_000
    while roll(ledger.database, now_ms):
        pass
    history: SqlHistory = ledger.history
    to_ms = BEGIN_MS + YEAR * 60_000
    times = [cpu_of(lambda: history.read("b00000", BEGIN_MS, to_ms, 1000)) for _ in range(5)]
    connection = sqlite3.connect(ledger.database.path)
    bare_times = [
        cpu_of(lambda: connection.execute("SELECT * FROM history_hour WHERE battery = 1 ORDER BY at_ms").fetchall()) for _ in range(5)
    ]
    connection.close()
    row(
        "a year as 1,000 points against a bare read of the hours",
        f"{min(times) / min(bare_times):.1f} x ({min(times) * 1e3:.0f} ms)",
        "at most 3",
    )
    ledger.database.close()


def durable(folder: Path) -> None:
    """A hundred readings a commit, with and without waiting for the disk: folded and committed, as the service does, and the commits alone."""
    from analytics.batch import Batch
    from analytics.core import step
    from api.database import Synchronous

    modes: tuple[Synchronous, ...] = ("NORMAL", "FULL")
    path_s, commits_s = dict.fromkeys(modes, 0.0), dict.fromkeys(modes, 0.0)
    ledgers, states = {}, dict.fromkeys(modes, begin(battery()))
    for synchronous in modes:
        (folder / synchronous).mkdir()
        ledgers[synchronous] = store(folder / synchronous, 1, synchronous)
    rows = list(readings("b00000", 40_000, 1000))
    for i in range(0, len(rows), 100):
        for synchronous in modes:  # in turn, so that whatever else the disk does meets both
            began = time.perf_counter()
            kept, state = [], states[synchronous]
            for reading in rows[i : i + 100]:
                state, outcome = step(state, reading)
                kept.append((reading, outcome.assessment))
            states[synchronous] = state
            folded = time.perf_counter()
            ledgers[synchronous].commit(Batch(kept=kept))
            path_s[synchronous] += time.perf_counter() - began
            commits_s[synchronous] += time.perf_counter() - folded
    for ledger in ledgers.values():
        ledger.database.close()
    row("durable against not durable, fold and commit, 100 a commit", f"{path_s['FULL'] / path_s['NORMAL']:.2f}", "at most 1.5")
    row("the same, the commits alone", f"{commits_s['FULL'] / commits_s['NORMAL']:.2f}", "")


def process(folder: Path) -> None:
    """`restvolt run` in a van at a reading a second: start, memory, idle CPU."""
    master, slave = os.openpty()
    port = free_port()
    text = f'data = "van"\n[clock]\nbelieved_after_s = 0\n[web]\nport = {port}\n[[source]]\nkind = "serial"\nport = "{os.ttyname(slave)}"\n'
    text += 'battery = "heron"\nformat = "lines"\nskip_first_line = false\n[format.lines]\ndecoder = "delimited"\ndelimiter = ""\npairs = "="\nvoltage = "v"\ncurrent = "i"\n'
    text += '[[battery]]\nid = "heron"\nchemistry = "agm"\nrated_capacity_ah = 100\n[[push.people]]\nname = "Ada"\nurls = ["terminal:"]\n'
    file = folder / "van.toml"
    file.write_text(text)
    began = time.perf_counter()
    run = subprocess.Popen(
        [sys.executable, "-c", "from api.cli import main; main()", "run", "-s", str(file)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    first = None
    while first is None and time.perf_counter() - began < 60:
        os.write(master, b"v=12.61 i=-1.20\n")
        time.sleep(0.1)
        try:
            with sqlite3.connect(f"file:{folder / 'van' / 'restvolt.db'}?mode=ro", uri=True) as connection:
                if connection.execute("SELECT count(*) FROM history").fetchone()[0]:
                    first = time.perf_counter() - began
        except sqlite3.Error:
            continue
    spent = _cpu(run.pid)
    for _ in range(20):
        os.write(master, b"v=12.61 i=-1.20\n")
        time.sleep(1)
    idle = (_cpu(run.pid) - spent) / 20
    resident = int(next(line.split()[1] for line in Path(f"/proc/{run.pid}/status").read_text().splitlines() if line.startswith("VmRSS")))
    run.terminate()
    run.wait(20)
    os.close(master)
    os.close(slave)
    row("restvolt run: start to the first reading on disk", f"{first or -1:.1f} s", "at most 3 s")
    row("restvolt run: resident memory", f"{resident / 1024:.0f} MB", "at most 130 MB")
    row("restvolt run: CPU at a reading a second", f"{100 * idle:.1f} % of a core", "at most 2 %")


def _cpu(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def relay(_folder: Path) -> None:
    """A van that was offline for a month brings its minutes to the yard's broker."""
    relay_catch_up.main()


def load(folder: Path) -> None:
    """The page under load, in short; `python -m tests.benchmarks.watchers 60` takes longer."""
    watchers.run(folder, 10.0)


def fleet(_folder: Path) -> None:
    """As many batteries as a worker has; `python -m tests.benchmarks.batteries --batteries 100000` takes some minutes."""
    batteries.main()


def queues(_folder: Path) -> None:
    """The whole fleet path in short, with one broker node and three; `python -m tests.fleet.speed` takes more readings."""
    if not rabbit.LIB.exists() or postgres_programs() is None:
        row("the whole fleet path", "not measured", "RabbitMQ or PostgreSQL is not installed: apt-get install rabbitmq-server postgresql")
        return
    for nodes in (1, 3):
        subprocess.run(
            [sys.executable, "-m", "tests.fleet.speed", "--nodes", str(nodes), "--readings", "4000"], check=True, timeout=QUEUES_S
        )


BENCHES = {
    "path": path, "many": one_and_many.run, "year": year, "durable": durable, "process": process, "relay": relay, "load": load,
    "fleet": fleet, "queues": queues,
}  # fmt: skip


def main() -> int:
    """A row that cannot be measured says so and does not stop the others."""
    chosen, failed = sys.argv[1:], 0
    print(json.dumps({"python": sys.version.split()[0], "cores": os.cpu_count()}))
    for name, bench in BENCHES.items():
        if not chosen or name in chosen:
            try:
                with tempfile.TemporaryDirectory() as folder:
                    bench(Path(folder))
            except Exception as e:
                traceback.print_exc()
                row(f"{name}: not measured to its end", "failed", f"{type(e).__name__}: {e}")
                failed += 1
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main())
