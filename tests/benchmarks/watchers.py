"""The page under load: `python -m tests.benchmarks.watchers [seconds]`. Fifty watchers, twenty history queries a second, a thousand readings a second.

The whole service in a process of its own, readings posted over HTTP. Printed: how late a reading was on disk, how late a watcher
saw it, how long a history query took. Watchers, queries and the sender share the machine with the service.
"""

import asyncio
import contextlib
import json
import multiprocessing
import resource
import sys
import tempfile
from collections.abc import Awaitable, Callable
from datetime import datetime
from multiprocessing.connection import Connection
from pathlib import Path

import httpx

from api.clock import MachineClock
from api.words import rfc3339

BATTERIES, WATCHERS, QUERIES_A_S, READINGS_A_S = 10, 50, 20, 1000
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


def now_s() -> float:
    return CLOCK.wall_ms() / 1000


def serve(folder: str, pipe: Connection) -> None:
    """The service, until somebody speaks."""
    from api.main import Service
    from api.settings import load

    async def run() -> None:
        stop = asyncio.Event()
        asyncio.get_running_loop().add_reader(pipe.fileno(), stop.set)
        await Service(load(Path(folder) / "restvolt.toml")).run(stop, pipe.send)

    asyncio.run(run())


def late_s(times: list[float], share: float) -> float:
    return sorted(times)[min(len(times) - 1, int(share * len(times)))] if times else float("nan")


async def again(ask: Callable[[], Awaitable[httpx.Response]]) -> httpx.Response:
    """Once more where an idle connection was closed just then; sending readings twice changes nothing."""
    try:
        return await ask()
    except httpx.TransportError:
        return await ask()


async def send(client: httpx.AsyncClient, until: float, late: list[float]) -> int:
    """A tenth of a second of readings of every battery in each post."""
    kept, each = 0, READINGS_A_S // BATTERIES // 10

    async def post(battery: int, begin_ms: int) -> None:
        nonlocal kept
        rows = [{"v": 12.6, "a": -1.0, "t": rfc3339(begin_ms + i * (100 // each))} for i in range(each)]
        answer = await again(lambda: client.post(f"/api/v1/batteries/b{battery}/readings?format=json", json=rows))
        kept += answer.raise_for_status().json()["kept"]
        late.append(now_s() - begin_ms / 1000)

    waiting: set[asyncio.Task[None]] = set()
    while now_s() < until:
        begin = now_s()
        for battery in range(BATTERIES):
            task = asyncio.create_task(post(battery, int(begin * 1000) - 100))
            waiting.add(task)
            task.add_done_callback(waiting.discard)
        await asyncio.sleep(max(0.0, begin + 0.1 - now_s()))
    await asyncio.gather(*waiting)
    return kept


async def watch(client: httpx.AsyncClient, until: float, late: list[float]) -> None:
    async with client.stream("GET", "/api/v1/stream") as answer:
        async for line in answer.aiter_lines():
            if now_s() > until:
                return
            if line.startswith("data: ") and '"heard"' in line:
                heard = datetime.fromisoformat(json.loads(line[6:])["heard"])
                late.append(now_s() - heard.timestamp())


async def query(client: httpx.AsyncClient, until: float, took: list[float]) -> None:
    battery = 0
    while now_s() < until:
        begin = now_s()
        path = f"/api/v1/batteries/b{battery % BATTERIES}/history?points=500"
        (await again(lambda: client.get(path))).raise_for_status()  # noqa: B023
        took.append(now_s() - begin)
        battery += 1
        await asyncio.sleep(max(0.0, begin + 1 / QUERIES_A_S - now_s()))


async def load(address: str, seconds: float) -> None:
    kept_late: list[float] = []
    seen_late: list[float] = []
    took: list[float] = []
    until = now_s() + seconds
    limits = httpx.Limits(max_connections=200)
    async with httpx.AsyncClient(base_url=address, timeout=30, limits=limits) as client:
        watchers = [asyncio.create_task(watch(client, until, seen_late)) for _ in range(WATCHERS)]
        queries = asyncio.create_task(query(client, until, took))
        kept = await send(client, until, kept_late)
        await queries
        for watcher in watchers:
            watcher.cancel()
        await asyncio.gather(*watchers, return_exceptions=True)
    print(
        f"{kept:,} readings kept in {seconds:.0f} s ({kept / seconds:,.0f} a second), {len(seen_late):,} states seen, {len(took):,} queries"
    )
    for name, times in (("on disk", kept_late), ("seen by a watcher", seen_late), ("history query", took)):
        print(
            f"{name:18s} median {late_s(times, 0.5):.3f} s, 99 % {late_s(times, 0.99):.3f} s, worst {max(times, default=float('nan')):.3f} s"
        )
    print(f"later than {LIMIT_S:g} s: {sum(t > LIMIT_S for t in kept_late)} of {len(kept_late)} posts")


def main(seconds: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        batteries = "\n".join(f'[[battery]]\nid = "b{i}"\nchemistry = "agm"\nrated_capacity_ah = 100' for i in range(BATTERIES))
        (Path(folder) / "restvolt.toml").write_text(SETTINGS.format(batteries=batteries))
        ours, theirs = multiprocessing.Pipe()
        process = multiprocessing.get_context("spawn").Process(target=serve, args=(folder, theirs))
        process.start()
        try:
            address = ours.recv()
            asyncio.run(load(address, seconds))
        finally:
            with contextlib.suppress(BrokenPipeError):
                ours.send("stop")
            process.join(20)
            process.kill()
            process.join()
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        print(
            f"the service used {used.ru_utime + used.ru_stime:.1f} s of a core, start included, and at most {used.ru_maxrss / 1000:.0f} MB"
        )


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 20)
