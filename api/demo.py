"""`restvolt demo`: simulated vehicles in a process of their own, and the real service that reads them; fourteen days told in a minute.

The service's clock is the story's, as far as it was heard. Only the data folder is left behind.
"""

import asyncio
import shutil
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import Any

import orjson

from analytics.assessment import Assessment
from analytics.batch import Batch
from api import words
from api.clock import MachineClock
from api.main import Service
from api.recording import rfc3339_ms
from api.settings import Settings

Say = Callable[[str], None]
STATE_EVERY_S = 12.0
DAYS = 14
LINES = {
    "decoder": "delimited",
    "delimiter": "",
    "pairs": "=",
    "voltage": "v",
    "current": {"field": "i", "positive": "discharging"},
    "temperature": "c",
    "charge": "q",
    "sequence": "n",
    "time": {"field": "t", "kind": "rfc3339"},
}
FORMATS: dict[str, dict[str, Any]] = {
    "lines": LINES,
    "json": {
        "decoder": "json",
        "voltage": "volts",
        "current": "amps",
        "temperature": "celsius",
        "sequence": "n",
        "time": {"field": "time", "kind": "rfc3339"},
    },
    "senml": {"decoder": "senml", "voltage": "voltage", "current": "current", "temperature": "temperature"},
}


class StoryClock(MachineClock):
    """The story's time as far as every vehicle was heard: however slow the machine, nothing is late and nobody silent for that."""

    def __init__(self) -> None:
        super().__init__(0.0)
        self._newest: dict[str, int] = {}
        self._told_ms = self._first_ms = super().wall_ms() - DAYS * 86_400_000
        """Until the story begins, a guess: the service must not take its beginning for a step of the clock."""

    def begin(self, from_ms: int, battery_ids: Iterable[str]) -> None:
        self._newest = dict.fromkeys(battery_ids, from_ms)
        self._told_ms = from_ms

    def heard(self, batch: Batch) -> None:
        if self._newest:
            self._newest.update((battery_id, a.at_ms) for battery_id, a in batch.latest.items())
            self._told_ms = max(self._told_ms, min(self._newest.values()))

    def wall_ms(self) -> int:
        return self._told_ms

    def monotonic_ms(self) -> int:
        """Runs on with the story: hold-timers and the outbox's patience are days of the story too."""
        return super().monotonic_ms() + self._told_ms - self._first_ms


def settings_of(ready: dict[str, Any], data: Path, port: int) -> Settings:
    """The settings a person would write for what the simulators say they are."""
    serial, mqtt = ready["serial"], ready["mqtt"]
    sources: list[dict[str, Any]] = [
        {"kind": "serial", "port": serial["port"], "battery": serial["battery_id"], "format": serial["speaks"], "quiet_after_s": 1e9}
    ]
    sources += [
        {
            "kind": "mqtt", "host": mqtt["host"], "port": mqtt["port"], "topic": topic["topic"], "battery": battery, "format": topic["speaks"],
            "client_id": f"restvolt-demo-{battery}", "quiet_after_s": 1e9,
        }
        for battery, topic in mqtt["topics"].items()
    ]  # fmt: skip
    push = {
        "people": [{"name": "you", "urls": ["terminal:"], "digest_at": None, "priority": "medium"}],
        "repeat_high_h": 168, "repeat_medium_h": 720, "remind_h": 720, "escalate_high_h": 168, "escalate_medium_h": 720, "gather_s": 0,
    }  # fmt: skip
    used = {s["format"] for s in sources}
    return Settings.model_validate(
        {
            "data": data,
            "keep": {"commit_every_s": 60, "ahead_s": 86_400},
            "web": {"port": port},
            "source": sources,
            "push": push,
            "format": {name: dict(entry) for name, entry in FORMATS.items() if name in used},
            "battery": ready["batteries"],
        }
    )


class Demo:
    """One telling. `run` returns after `seconds` (None: when stopped)."""

    def __init__(self, data: Path, say: Say, *, told_s: float = 75.0, broker: str = "", port: int = 8765) -> None:
        self._data, self._say, self._told_s, self._broker, self._port = data, say, told_s, broker, port
        self._clock = StoryClock()
        self._latest: dict[str, Assessment] = {}

    async def run(self, stop: asyncio.Event, seconds: float | None = None) -> None:
        if self._data.exists():
            shutil.rmtree(self._data)
        self._data.mkdir(parents=True)
        command = [sys.executable, "-m", "simulators", "--until-stdin-closes", "demo", "--wait", "--told-for", str(self._told_s)]
        command += ["--link", str(self._data.resolve() / "van-serial")] + (["--broker", self._broker] if self._broker else [])
        self._say("Starting simulated vehicles: a van on a serial line and three stored vehicles at a broker …")
        process = await asyncio.create_subprocess_exec(*command, stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE)
        try:
            ready = await self._next(process)
            if ready is None:
                raise RuntimeError("the simulated vehicles did not start; see the message above")
            await self._serve(process, settings_of(ready, self._data, self._port), stop, seconds)
        finally:
            with suppress(ProcessLookupError):
                process.terminate()
            await process.wait()
            (self._data / "van-serial").unlink(missing_ok=True)

    async def _serve(self, process: asyncio.subprocess.Process, settings: Settings, stop: asyncio.Event, seconds: float | None) -> None:
        service = Service(settings, self._clock, self._heard)

        def ready(address: str) -> None:
            self._say(f"\nThe page and the API answer at {address} — open it in a browser on this machine.\n")

        async with asyncio.TaskGroup() as tasks:
            serving = tasks.create_task(service.run(stop, ready))
            telling = tasks.create_task(self._tell(process, service, stop))
            states = tasks.create_task(self._states())
            timer = tasks.create_task(self._stop_after(stop, seconds))
            await serving
            for task in (telling, states, timer):
                task.cancel()
        self._say(f"\nStopped. What was kept is in {self._data}.")

    async def _tell(self, process: asyncio.subprocess.Process, service: Service, stop: asyncio.Event) -> None:
        await service.listening()
        assert process.stdin is not None
        process.stdin.write(b"begin\n")
        await process.stdin.drain()
        while (said := await self._next(process)) is not None:
            if said.get("begun"):
                self._clock.begin(rfc3339_ms(said["from"]), [b.id for b in service.settings.batteries])
                self._say(f"Fourteen days are told in {said['told_s']:.0f} seconds.\n")
            elif "happening" in said:
                self._say(f"  · {words.day(rfc3339_ms(said['at']))}: {said['happening']}")
            elif said.get("told"):
                self._say("\nThe fourteen days are over; from here on time runs as it does. Ctrl-C ends.\n")
        stop.set()

    async def _next(self, process: asyncio.subprocess.Process) -> dict[str, Any] | None:
        assert process.stdout is not None
        line = await process.stdout.readline()
        return dict(orjson.loads(line)) if line else None

    async def _states(self) -> None:
        while True:
            await asyncio.sleep(STATE_EVERY_S)
            for battery_id, a in sorted(self._latest.items()):
                self._say(f"{words.day(a.at_ms)}  {battery_id}: {words.charge(a)} {words.PHASES[a.charge_phase]}")
            self._say("")

    async def _stop_after(self, stop: asyncio.Event, seconds: float | None) -> None:
        if seconds is not None:
            await asyncio.sleep(seconds)
            stop.set()

    def _heard(self, batch: Batch) -> None:
        self._clock.heard(batch)
        self._latest.update(batch.latest)
