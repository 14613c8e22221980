"""One worker of the fleet as a process: partitions → the loop → PostgreSQL. `python -m tests.fleet.worker SETTINGS.json`."""

import asyncio
import faulthandler
import json
import signal
import sys
from pathlib import Path
from typing import Any

from api.database import Database
from api.fencing import FencedLedger
from api.ledger import SqlLedger
from ingest.amqp_settings import AmqpSettings
from ingest.amqp_source import AmqpSource
from ingest.decoder import Decoder
from ingest.ending import exit_at_once
from ingest.formats.json_fields import JsonFields, json_decoder
from ingest.pipeline import Pipeline, PipelineSettings
from tests.fakes.clock import RealClock

FIELDS: dict[str, Any] = {
    "voltage": "volts", "current": "amps", "temperature": "celsius", "charge": "amp_hours", "time": {"field": "time"}, "sequence": "n",
}  # fmt: skip
"""What the simulated vehicles send."""
CHECKPOINT_READINGS = 30
"""Few, so that a worker that takes over has little to fold again."""
MAP = JsonFields.model_validate(FIELDS)


class StoryClock(RealClock):
    """The machine's monotonic clock; the wall clock says it is not set, so that a story told quicker than time brings no silences."""

    boot_id = "fleet"

    def trusted(self) -> bool:
        return False


def decoder(battery_id: str | None) -> Decoder:
    return json_decoder(MAP, battery_id)


async def work(settings: dict[str, Any]) -> None:
    clock = StoryClock()
    with Database(settings["database"]) as database:
        store = FencedLedger(SqlLedger(database), exit_at_once)
        pipeline = Pipeline(
            store,
            {"json": decoder},
            clock,
            PipelineSettings(commit_every_s=settings.get("commit_every_s", 0.1), checkpoint_readings=CHECKPOINT_READINGS),
        )
        asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, pipeline.stop)
        async with AmqpSource(AmqpSettings.model_validate(settings["amqp"]), clock) as source:
            sys.stdout.write("ready\n")
            sys.stdout.flush()
            await pipeline.run([source])


if __name__ == "__main__":
    faulthandler.register(signal.SIGUSR1)
    asyncio.run(work(json.loads(Path(sys.argv[1]).read_text())))
