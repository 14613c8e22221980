"""How a long-running command runs: until SIGINT or SIGTERM, with a log that a person can read."""

import asyncio
import gc
import re
import signal
import sys
from collections.abc import Awaitable, Callable

import structlog
import typer

LENGTH = re.compile(r"(\d+(?:\.\d+)?)(s|m|h|d)?")
GARBAGE, GARBAGE_PART = 50_000, 10
"""Judgement: so many objects more than at the last look (some megabytes), or a tenth more than there are, before Python looks for rings of
garbage. States, readings and assessments are tuples that form none, and looking at a fleet's every 700 objects, as by default, costs
(measured: 71 us a reading against 56 with 2,000 batteries; every 50,000, still 1.5 us with 10,000)."""
UNITS = {"s": 1, "m": 60, "h": 3600, "d": 86400}


def seconds_of(text: str) -> float:
    """Seconds of `90`, `90s`, `2m`, `1h` or `3d`. Raises typer.BadParameter."""
    match = LENGTH.fullmatch(text.strip())
    if match is None:
        raise typer.BadParameter(f"{text!r}: expected a length of time such as 90s, 2m or 1h")
    return float(match[1]) * UNITS[match[2] or "s"]


def until_stopped(work: Callable[[asyncio.Event], Awaitable[None]]) -> None:
    """Run it; SIGINT and SIGTERM set the event that it watches. A second signal ends at once."""

    collect_rarely()

    async def main() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()

        def asked() -> None:
            if stop.is_set():
                raise SystemExit(1)
            stop.set()

        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, asked)
        await work(stop)

    asyncio.run(main())


def collect_rarely() -> None:
    """For a process that holds many states for long."""
    if _rarer not in gc.callbacks:
        gc.callbacks.append(_rarer)
    _rarer("stop", {})


def _rarer(phase: str, _: object) -> None:
    """After each look: the next one by how much there is now."""
    if phase == "stop":
        gc.set_threshold(max(GARBAGE, sys.getallocatedblocks() // GARBAGE_PART), *gc.get_threshold()[1:])


def logging_in_words(*, quiet: bool = False) -> None:
    """One line for each thing worth saying, on standard error: a time, the words, then names and values. `quiet`: only trouble."""
    level = 40 if quiet else 20
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty()),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
