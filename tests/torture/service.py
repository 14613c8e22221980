"""The part of the service that must never lose anything, as a process that is made to be killed.

`python -m tests.torture.service DATABASE PORT CLOCK` loads everything once and then forks a fresh service for each line `go` that it reads
(`go lazy`: with a disk that loses what was not synced; `go careless`: and with a database that does not sync each commit); a fork starts in milliseconds, so hundreds of kills are cheap.
Time comes from the file CLOCK (eight bytes: UTC milliseconds), which the sender moves on: days pass in seconds. Behind it stands
how many commits there were (eight bytes), so that a kill can be timed.
"""

import asyncio
import mmap
import os
import signal
import sys
from functools import partial
from pathlib import Path

import structlog

from analytics.batch import Batch
from api.database import Database, Synchronous
from api.ledger import SqlLedger
from ingest.backoff import Backoff
from ingest.decoder import Decoder
from ingest.formats import FORMATS
from ingest.mqtt_source import MqttSettings, MqttSource
from ingest.pipeline import Pipeline, PipelineSettings
from ingest.supervisor import Supervised
from tests.torture.lazy_disk import LazyDisk


class FileClock:
    """Compressed time, the same for every process."""

    boot_id = "torture"

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as f:
            self._page = mmap.mmap(f.fileno(), 16)

    def wall_ms(self) -> int:
        return int.from_bytes(self._page[:8], "little")

    monotonic_ms = wall_ms

    def trusted(self) -> bool:
        return True

    def set(self, at_ms: int) -> None:
        self._page[:8] = at_ms.to_bytes(8, "little")

    @property
    def commits(self) -> int:
        return int.from_bytes(self._page[8:], "little")

    def committed(self, _batch: Batch) -> None:
        self._page[8:] = (self.commits + 1).to_bytes(8, "little")


def json_format() -> "partial[Decoder]":
    made = FORMATS["json"]
    fields = made.settings.model_validate(
        {"voltage": "u", "current": "i", "temperature": "temp", "time": {"field": "t", "kind": "unix_ms"}, "sequence": "n"}
    )
    return partial(made.decoder, fields)


async def serve(database: Path, port: int, clock: FileClock, synchronous: Synchronous) -> None:
    """Ingest until told to end (SIGTERM) or killed."""
    ledger = SqlLedger(Database(str(database), synchronous=synchronous).open())
    pipeline = Pipeline(ledger, {"json": json_format()}, clock, PipelineSettings(commit_every_s=60), clock.committed)
    source = MqttSource(MqttSettings(host="127.0.0.1", port=port, topic="readings/{battery}", format="json", in_flight=100), clock)
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, pipeline.stop)
    await pipeline.run([Supervised(source, clock, backoff=Backoff(0.02, 0.2))])
    ledger.database.close()


def main() -> None:
    database, port, clock_path = Path(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3])
    print("loaded", flush=True)
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            structlog.configure(logger_factory=structlog.PrintLoggerFactory(sys.stderr))
            disk = LazyDisk() if line.strip() != "go" else None
            asyncio.run(serve(database, port, FileClock(clock_path), "NORMAL" if line.strip() == "go careless" else "FULL"))
            del disk
            os._exit(0)
        print(child, flush=True)
        _, status = os.waitpid(child, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


if __name__ == "__main__":
    main()
