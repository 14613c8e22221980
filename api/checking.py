"""`restvolt check`: everything that can be found out before the service runs. Each line says one thing and whether it is right."""

import asyncio
import shutil
import stat
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path

from api.clock import MachineClock
from api.database import Database, DatabaseBusy, DatabaseDamaged, DatabaseFull
from api.home import serial_ports
from api.outbox import trial_message
from api.people import PAGE, TERMINAL
from api.ports import PushFailed, PushRefused
from api.push.reach import BROWSERS, Reach
from api.settings import Settings, SourceSettings
from ingest.file_source import FileSettings
from ingest.modbus_settings import ModbusSettings
from ingest.mqtt_source import MqttSettings
from ingest.mqtt_trial import try_broker
from ingest.serial_source import SerialSettings, SerialSource
from ingest.source import SourceLost

ROOM_BYTES = 200_000_000
"""Judgement: a year of one battery at a reading every ten seconds takes about 130 MB; below this the card is soon full."""


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that was looked at."""

    right: bool
    says: str


async def everything(settings: Settings, file: Path, *, push: bool) -> AsyncIterator[Found]:
    """Look at settings, secrets, folder, database, sources and, if asked, send everybody a test."""
    yield Found(True, f"{file}: {len(settings.batteries)} batteries, {len(settings.source)} sources, {len(settings.push.people)} people")
    for found in secrets(settings, file):
        yield found
    yield room(settings.data)
    yield await asyncio.to_thread(database, settings)
    clock = MachineClock()
    yield Found(
        True,
        "The machine's clock is set by a time service." if clock.trusted() else "The machine's clock is not set by a time service yet; "
        f"it is believed as it is {settings.clock.believed_after_s:.0f} seconds after the start.",
    )  # fmt: skip
    for source in settings.source:
        yield await _source(source, clock)
    if push:
        channels = Reach(settings.push, settings.data / BROWSERS).now().channels
        if not channels:
            yield Found(
                False, "push: nobody has a way to be told; add an address under [[push.people]], or subscribe a browser on the page"
            )
        for name, channel in channels.items():
            try:
                await asyncio.to_thread(channel.push, trial_message(name.partition("/")[0]))
                yield Found(True, f"push {name}: a test was sent; see whether it arrived")
            except (PushFailed, PushRefused) as e:
                yield Found(False, f"push {name}: {e}")


def secrets(settings: Settings, file: Path) -> list[Found]:
    """Files with secrets must be readable by their owner only."""
    private = [s.password_file for s in settings.source if isinstance(s, MqttSettings) and s.password_file is not None]
    private += [s.key_file for s in settings.source if isinstance(s, MqttSettings) and s.key_file is not None]
    private += [p.urls_file for p in settings.push.people if p.urls_file is not None]
    if any(url.get_secret_value() not in (TERMINAL, PAGE) for p in settings.push.people for url in p.urls):
        private.append(file)
    found = []
    for path in private:
        if not path.exists():
            found.append(Found(False, f"{path}: this file with a secret is missing"))
        elif path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO) & ~stat.S_IRGRP:
            found.append(Found(False, f"{path}: others can read this file with secrets; mend it with: chmod 600 {path}"))
    return found


def room(folder: Path) -> Found:
    nearest = next(p for p in (folder, *folder.parents) if p.exists())
    free = shutil.disk_usage(nearest).free
    return Found(
        free >= ROOM_BYTES, f"{nearest}: {free / 1e6:,.0f} MB free" + ("" if free >= ROOM_BYTES else ": make room before it is full")
    )


def database(settings: Settings) -> Found:
    """Open it (which brings its tables up to date) and let it check itself."""
    store = Database(settings.database_address, checkpoints=False)
    try:
        store.open()
        trouble = store.trouble()
    except (DatabaseDamaged, DatabaseBusy, DatabaseFull, OSError) as e:
        return Found(False, f"database: {e}")
    finally:
        store.close()
    return Found(trouble is None, f"database: {trouble or 'sound'}")


async def _source(source: SourceSettings, clock: MachineClock) -> Found:
    try:
        if isinstance(source, MqttSettings):
            await try_broker(source, clock)
            return Found(True, f"broker {source.host}:{source.port}: takes us")
        if isinstance(source, SerialSettings):
            if not await asyncio.to_thread(Path(source.port).exists):
                lines = ", ".join(serial_ports()) or "none with a stable path; is the cable in?"
                return Found(False, f"serial {source.port}: is not there. Lines that are: {lines}")
            async with SerialSource(source, clock):
                return Found(True, f"serial {source.port}: opens")
        if isinstance(source, FileSettings):
            with source.path.open("rb"):
                return Found(True, f"file {source.path}: opens")
        if isinstance(source, ModbusSettings):
            there = await asyncio.to_thread(Path(source.port).exists)
            return Found(
                there, f"serial {source.port}: " + ("is there; the meter is asked once the service runs" if there else "is not there")
            )
        host, port = source.addresses()[0]
        _, writer = await asyncio.wait_for(asyncio.open_connection(host, port), 10.0)
        writer.close()
        return Found(True, f"broker {host}:{port}: answers")
    except (SourceLost, OSError, TimeoutError) as e:
        return Found(False, str(e))
