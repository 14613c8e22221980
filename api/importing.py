"""Take in a recorded file by the same way as everything else: decoder, fold, commit. The service must be stopped meanwhile."""

import asyncio
from functools import partial
from pathlib import Path

from rich.progress import Progress

from api.backup import in_use
from api.clock import MachineClock
from api.database import Database
from api.ledger import SqlLedger
from api.main import BY_SETTINGS
from api.mistakes import SettingsError
from api.settings import Settings
from ingest.counters import Counters
from ingest.file_source import FileSettings, FileSource
from ingest.formats import FORMATS
from ingest.pipeline import Pipeline


def take(settings: Settings, readings: Path, battery_id: str, format_name: str) -> Counters:
    """What became of the file. Raises SettingsError where it cannot be taken."""
    if format_name not in settings.format:
        raise SettingsError(
            readings, [f"--format {format_name}: expected one of the settings' formats ({', '.join(settings.format) or 'none'})"]
        )
    if not _tells_times(settings, format_name):
        raise SettingsError(
            readings,
            [
                f'--format {format_name}: says no time; a recorded file needs the time of each reading, such as time = {{ field = "time", kind = "rfc3339" }}'
            ],
        )
    if not readings.is_file():
        raise SettingsError(readings, ["cannot be read: no such file"])
    database = Database(settings.database_address)
    if database.sqlite and database.path.exists() and in_use(database.path):
        raise SettingsError(database.path, ["the service is running: stop it first, or send the file to its API"])
    clock = MachineClock(0.0)
    with database:
        ledger = SqlLedger(database)
        for declared in settings.batteries:
            if declared.id == battery_id and ledger.battery(battery_id) is None:
                ledger.declare(declared, clock.wall_ms(), BY_SETTINGS)
        if ledger.battery(battery_id) is None:
            raise SettingsError(readings, [f"--battery {battery_id}: expected the id of a declared battery"])
        decoders = {name: partial(FORMATS[f.decoder].decoder, f.settings) for name, f in settings.format.items()}
        pipeline = Pipeline(ledger, decoders, clock, settings.keep)
        source = FileSource(FileSettings(path=readings, format=format_name, battery=battery_id), clock)
        asyncio.run(_run(pipeline, source, readings.stat().st_size))
    return pipeline.counters


def _tells_times(settings: Settings, format_name: str) -> bool:
    """Without times all readings would be dated now, and again at every repetition."""
    chosen = settings.format[format_name]
    return chosen.decoder.startswith("senml") or getattr(chosen.settings, "time", None) is not None


async def _run(pipeline: Pipeline, source: FileSource, size: int) -> None:
    """With a bar for how much of the file was taken, and the number of readings kept."""
    with Progress(transient=True) as progress:
        task = progress.add_task("reading …", total=size)

        async def tell() -> None:
            while True:
                progress.update(task, completed=source.given, description=f"{pipeline.counters.kept} readings kept")
                await asyncio.sleep(0.2)

        telling = asyncio.create_task(tell())
        try:
            async with source:
                await pipeline.run([source])
        finally:
            telling.cancel()
