"""The page under load: `python -m tests.benchmarks.watchers [seconds]`. Fifty watchers, twenty history queries a second, a thousand readings a second.

The whole service, the senders and the watchers are processes of their own on one machine. Printed: how late a reading was on disk,
how late a watcher saw it, how long a history query took, and beside them how late a process that only sleeps and writes was: that much is the
machine's own. The clients speak HTTP by hand, because a client library costs more than the service that it asks.
"""

import asyncio
import json
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Coroutine
from contextlib import suppress
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import structlog

from api.clock import MachineClock
from api.words import rfc3339
from tests.benchmarks.scene import row

BATTERIES, WATCHERS, QUERIES_A_S, READINGS_A_S = 10, 50, 20, 1000
GATHER_S = 0.1
"""A gateway sends what it measured in so long, or since its last post was answered if that took longer."""
LIMIT_S = 2.0
"""What the design promises: no reading late by more."""

SETTINGS = """
data = "kept"
[web]
port = 0
requests_per_minute = 1000000
[format.json]
decoder = "json"
voltage = "v"
current = "a"
time = {{ field = "t", kind = "rfc3339" }}
{batteries}
"""

CLOCK = MachineClock(0)
Found = dict[str, list[float]]
"""Figures by name, seconds."""


def now_s() -> float:
    return CLOCK.wall_ms() / 1000


def serve(folder: str, pipe: Connection) -> None:
    """The service, until somebody speaks. Answers with its address, and at the end with the processor time it used while asked."""
    from api.main import Service
    from api.settings import load

    async def run() -> None:
        stop = asyncio.Event()
        asyncio.get_running_loop().add_reader(pipe.fileno(), stop.set)
        before = 0.0

        def ready(address: str) -> None:
            nonlocal before
            before = time.process_time()
            pipe.send(address)

        await Service(load(Path(folder) / "restvolt.toml")).run(stop, ready)
        pipe.send(time.process_time() - before)

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(40))  # its ordinary log is not what is looked at here
    asyncio.run(run())


class Line:
    """One connection that asks and reads the answer."""

    def __init__(self, address: str) -> None:
        self.host, self.port = urlsplit(address).hostname, urlsplit(address).port
        self.reader: asyncio.StreamReader | None = None

    async def send(self, method: str, path: str, body: bytes = b"") -> int:
        """Send a request; the length of the answer's body, 0 where it comes in pieces. Raises OSError unless the status is 200."""
        if self.reader is None:
            self.reader, self.writer = await asyncio.open_connection(self.host, self.port)
        self.writer.write(
            f"{method} {path} HTTP/1.1\r\nHost: {self.host}:{self.port}\r\nContent-Length: {len(body)}\r\n\r\n".encode() + body
        )
        head = await self.reader.readuntil(b"\r\n\r\n")
        if b" 200 " not in head[:13]:
            raise OSError(head[:200].decode())
        _, _, rest = head.lower().partition(b"content-length: ")
        return int(rest.partition(b"\r\n")[0] or 0)

    async def ask(self, method: str, path: str, body: bytes = b"") -> bytes:
        """The answer. Asked once more where an idle connection was closed just then; sending readings twice changes nothing."""
        try:
            length = await self.send(method, path, body)
        except (asyncio.IncompleteReadError, ConnectionError):
            self.reader = None
            length = await self.send(method, path, body)
        assert self.reader is not None
        return await self.reader.readexactly(length)


async def sending(address: str, until: float, found: Found) -> None:
    """Readings of every battery, at their own pace whatever the service does. Late is counted from the oldest reading of a post."""
    every_ms = 1000 * BATTERIES // READINGS_A_S
    kept, late = found.setdefault("kept", [0.0]), found.setdefault("on disk", [])

    async def battery(number: int) -> None:
        line, measured_ms = Line(address), int(1000 * now_s()) + int(1000 * GATHER_S * number / BATTERIES)
        while now_s() < until:
            await asyncio.sleep(max(0.0, measured_ms / 1000 + GATHER_S - now_s()))
            times = range(measured_ms, int(1000 * now_s()), every_ms)
            rows = [{"v": 12.6, "a": -1.0, "t": rfc3339(at_ms)} for at_ms in times]
            answer = await line.ask("POST", f"/api/v1/batteries/b{number}/readings?format=json", json.dumps(rows).encode())
            kept[0] += json.loads(answer)["kept"]
            late.append(now_s() - measured_ms / 1000)
            measured_ms = times[-1] + every_ms

    await asyncio.gather(*(battery(number) for number in range(BATTERIES)))


async def looking(address: str, until: float, found: Found) -> None:
    """Watchers of all batteries, and history queries one after the other."""
    seen, took = found.setdefault("seen by a watcher", []), found.setdefault("history query", [])

    async def watch() -> None:
        line = Line(address)
        await line.send("GET", "/api/v1/stream")
        assert line.reader is not None
        while True:
            text = await line.reader.readline()
            at = text.find(b'"heard":"')
            if at > 0:
                heard = text[at + 9 : text.index(b'"', at + 9)].decode()
                seen.append(now_s() - datetime.fromisoformat(heard).timestamp())

    async def query(offset: int) -> None:
        line, begin = Line(address), now_s() + offset / QUERIES_A_S
        while begin < until:
            await asyncio.sleep(max(0.0, begin - now_s()))
            asked = now_s()
            await line.ask("GET", f"/api/v1/batteries/b{offset % BATTERIES}/history?points=500")
            took.append(now_s() - asked)
            begin += 1

    watchers = [asyncio.create_task(watch()) for _ in range(WATCHERS)]
    await asyncio.gather(*(query(offset) for offset in range(QUERIES_A_S)))
    for watcher in watchers:
        watcher.cancel()


async def sleeping(address: str, until: float, found: Found) -> None:
    """Only sleeps a tenth of a second and writes a page to the disk: how late it is with that is the machine's own lateness."""
    late = found.setdefault("a page on disk, bare", [])
    with tempfile.NamedTemporaryFile() as file:
        while now_s() < until:
            begin = now_s() + 0.1
            await asyncio.sleep(0.1)
            file.write(bytes(4096))
            file.flush()
            os.fsync(file.fileno())
            late.append(now_s() - begin)


PARTS = {"sending": sending, "looking": looking, "sleeping": sleeping}


def play(name: str, address: str, pipe: Connection) -> None:
    """One of the parts, once all are there."""
    found: Found = {}
    pipe.send("ready")
    until, before = pipe.recv(), time.process_time()
    work: Coroutine[Any, Any, None] = PARTS[name](address, until, found)
    asyncio.run(work)
    pipe.send((found, time.process_time() - before))


def share(times: list[float], part: float) -> float:
    return sorted(times)[min(len(times) - 1, int(part * len(times)))] if times else float("nan")


def run(folder: Path, seconds: float = 10.0) -> None:
    """Play it and print the table."""
    batteries = "\n".join(f'[[battery]]\nid = "b{i}"\nchemistry = "agm"\nrated_capacity_ah = 100' for i in range(BATTERIES))
    (folder / "restvolt.toml").write_text(SETTINGS.format(batteries=batteries))
    spawn = multiprocessing.get_context("spawn")
    ours, theirs = spawn.Pipe()
    service = spawn.Process(target=serve, args=(str(folder), theirs))
    service.start()
    found: Found = {}
    try:
        address = ours.recv()
        pipes = {name: spawn.Pipe() for name in PARTS}
        others = [spawn.Process(target=play, args=(name, address, pipe[1])) for name, pipe in pipes.items()]
        for other in others:
            other.start()
        for pipe, _ in pipes.values():
            pipe.recv()
        until, clients_s = now_s() + seconds, 0.0
        for pipe, _ in pipes.values():
            pipe.send(until)
        for pipe, _ in pipes.values():
            figures, used_s = pipe.recv()
            found |= figures
            clients_s += used_s
        for other in others:
            other.join()
        ours.send("stop")
        service_s = ours.recv()
    finally:
        with suppress(BrokenPipeError):
            ours.send("stop")
        service.join(20)
        service.kill()
        service.join()
    told(found, seconds, service_s, clients_s)


def told(found: Found, seconds: float, service_s: float, clients_s: float) -> None:
    late = found["on disk"]
    row("under load: readings kept a second", f"{found['kept'][0] / seconds:,.0f}", f"{READINGS_A_S:,} are sent")
    row(f"under load: posts of readings late by more than {LIMIT_S:g} s", f"{sum(t > LIMIT_S for t in late)} of {len(late)}", "none")
    for name in ("on disk", "seen by a watcher", "history query", "a page on disk, bare"):
        times = found[name]
        text = f"{share(times, 0.5):.2f} / {share(times, 0.99):.2f} / {max(times, default=float('nan')):.2f} s"
        row(f"under load: {name}, median / 99 % / worst", text, "the machine's own" if "bare" in name else f"{len(times):,} seen")
    row("under load: the service's share of a core", f"{100 * service_s / seconds:.0f} %", f"clients {100 * clients_s / seconds:.0f} %")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        run(Path(name), float(sys.argv[1]) if len(sys.argv) > 1 else 20)
