"""What keeps the database small and well while the service runs: roll-ups, letting go of old data, room on a full disk.

One thread, in small transactions, so that the loop of ingest never waits long. What is let go is said in the settings.
"""

import sqlite3
import threading
from collections.abc import Callable
from contextlib import suppress
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select

from api import rollup
from api.database import Database, DatabaseFull
from api.facts import count_up
from api.reserve import RESERVE_BYTES, Reserve
from api.tables import BATTERIES

DAY_MS = 86_400_000
EVERY_S = 10.0
LEAST_RAW_DAYS = 7
"""However full the disk is, the last week's readings stay: late ones of that time can be folded exactly. Judgement."""


class RetentionSettings(BaseModel):
    """How long things are kept. Hourly roll-ups, alerts and declarations are kept for ever: they are small."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    raw_days: Annotated[float, Field(ge=LEAST_RAW_DAYS, le=36_500)] = 400.0
    """Raw readings that come faster than every 20 seconds: a year and a month (1.3 GB for one a second)."""
    minute_days: Annotated[float, Field(ge=LEAST_RAW_DAYS, le=36_500)] = 1_100.0
    """One-minute roll-ups, and raw readings that are no more than they: three years (60 MB for a reading a minute)."""
    pushed_days: Annotated[float, Field(ge=30, le=36_500)] = 400.0
    """Messages that were delivered or given up."""
    dead_letter_days: Annotated[float, Field(ge=1, le=36_500)] = 90.0


class Upkeep:
    """`now_ms` is handed in; `say` hears what a person should know."""

    def __init__(
        self,
        database: Database,
        settings: RetentionSettings,
        now_ms: Callable[[], int],
        say: Callable[[str], None] = lambda text: None,
        reserve_bytes: int = RESERVE_BYTES,
    ) -> None:
        self._database, self._settings, self._now_ms, self._say = database, settings, now_ms, say
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="upkeep", daemon=True)
        self._reserve = Reserve(database.path.with_name(f"{database.path.name}.reserve"), reserve_bytes) if database.sqlite else None
        self._kept_ms = 0
        self._said_full = False

    def start(self) -> None:
        self._thread.start()

    def stop(self, wait_s: float = 10.0) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(wait_s)

    def alive(self) -> bool:
        return self._thread.is_alive()

    def work(self) -> None:
        """Roll up what is over; once an hour let go of what is old. On a full disk make room."""
        now_ms = self._now_ms()
        try:
            while not self._stopping.is_set() and rollup.roll(self._database, now_ms):
                pass
            if now_ms - self._kept_ms >= 3_600_000 or now_ms < self._kept_ms:
                self.let_go(now_ms, self._settings.raw_days)
                self._kept_ms = now_ms
                if self._reserve is not None and not self._database.full:
                    self._reserve.hold()
        except DatabaseFull:
            pass
        if self._database.full:
            self._say_full()
            self.make_room(now_ms)
        else:
            self._said_full = False

    def let_go(self, now_ms: int, raw_days: float) -> None:
        """Let go of what is older than the settings say."""
        settings = self._settings
        with self._database.reading() as connection:
            batteries = list(connection.execute(select(BATTERIES.c.number)).scalars())
        for battery in batteries:
            minutes_ms = now_ms - round(max(raw_days, settings.minute_days) * DAY_MS)
            while not self._stopping.is_set() and rollup.let_go(self._database, battery, now_ms - round(raw_days * DAY_MS), minutes_ms):
                pass
            while not self._stopping.is_set() and rollup.let_minutes_go(self._database, battery, minutes_ms):
                pass
        self._forget_old_lines(now_ms)

    def _forget_old_lines(self, now_ms: int) -> None:
        """Old deliveries and dead letters. Deliveries of alerts that still go on stay: who was told must be known at their end."""
        settings = self._settings
        pushed_ms, letters_ms = now_ms - round(settings.pushed_days * DAY_MS), now_ms - round(settings.dead_letter_days * DAY_MS)
        going = "SELECT da.delivery FROM delivered_alerts da JOIN alerts a ON a.id = da.alert_id WHERE a.ended_ms IS NULL"
        with self._database.writing() as connection:
            old = f"state <> 'waiting' AND made_ms < {pushed_ms} AND id NOT IN ({going})"
            gone = connection.exec_driver_sql(f"DELETE FROM deliveries WHERE {old}").rowcount  # noqa: S608 - numbers of our own
            if gone:
                connection.exec_driver_sql("DELETE FROM delivered_alerts WHERE delivery NOT IN (SELECT id FROM deliveries)")
            letters = connection.exec_driver_sql(f"DELETE FROM dead_letters WHERE at_ms < {letters_ms}").rowcount  # noqa: S608
            if letters:
                count_up(connection, "dead_letters_let_go", letters)

    def make_room(self, now_ms: int) -> bool:
        """The disk is full: raw readings older than a month, then a week, become roll-ups early. True if that made room."""
        given_up = self._reserve is not None and self._reserve.give_up()
        self._shrink_log()
        for raw_days in (self._settings.raw_days, 90.0, 30.0, float(LEAST_RAW_DAYS)):
            if raw_days <= self._settings.raw_days and self._room_from(now_ms, raw_days):
                self._shrink_log()
                self._say(
                    f"The disk is full: of readings older than {raw_days:.0f} days only one-minute or hourly values are kept from now on."
                )
                return True
        if given_up:
            self._say("The disk is full and nothing is left that may be let go; the last reserve is in use: make room now.")
            return True
        self._say("The disk is full and nothing is left that may be let go: make room, or readings wait where they come from.")
        return False

    def _shrink_log(self) -> None:
        """Move the log into the file, whose pages are free again, and give the log's room back, if there is room to do so."""
        if self._database.sqlite:
            with self._database.alone() as connection, suppress(sqlite3.OperationalError):
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def _room_from(self, now_ms: int, raw_days: float) -> bool:
        """Whether letting go of readings older than this freed anything."""
        with self._database.reading() as connection:
            batteries = list(connection.execute(select(BATTERIES.c.number)).scalars())
        freed = False
        for battery in batteries:
            try:
                before_ms = now_ms - round(raw_days * DAY_MS)
                while rollup.let_go(self._database, battery, before_ms, before_ms, at_once=500):
                    freed = True
            except DatabaseFull:
                continue
        return freed

    def _say_full(self) -> None:
        if not self._said_full:
            self._say("There is no room to write. Readings wait where they come from, nothing acknowledged is lost.")
        self._said_full = True

    def _run(self) -> None:
        failing = False
        while not self._stopping.is_set():
            try:
                self.work()
                failing = False
            except Exception as e:  # upkeep must outlive a database that does not answer for a while
                if not failing:
                    self._say(f"Upkeep of the database is held up: {type(e).__name__}: {e}")
                failing = True
            self._stopping.wait(EVERY_S)


def writes(database: Database) -> dict[str, int]:
    """What this process has written: commits, and on Linux bytes sent to the disk (proc(5), `write_bytes`)."""
    counted = {"commits": database.commits}
    try:
        from pathlib import Path

        lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
        counted["bytes"] = int(next(line.split()[1] for line in lines if line.startswith("write_bytes")))
    except (OSError, StopIteration, ValueError):
        pass
    return counted
