"""The engine under ledger and history: SQLite (one file, the default) or PostgreSQL, through the same SQLAlchemy code.

SQLite: WAL, synchronous FULL unless told otherwise, and **one** connection that writes and checkpoints, because versions
before 3.51.3 may corrupt the file when two do so at once (sqlite.org, "WAL-reset" fix in the 3.51.3 release notes).
Readers have read-only connections of their own and never wait for the writer. No SQL of the tables is here.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, Literal, TypeVar

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DatabaseError, OperationalError
from sqlalchemy.pool import QueuePool

T = TypeVar("T")
HEAD = "0003"
"""The newest migration; a test compares it with api/migrations/versions."""

LEAST_CACHE_KB, CACHE_KB_A_BATTERY, MOST_CACHE_KB = 4_096, 6, 65_536
"""Pages that the writer keeps in memory. Judgement: they are 4 kB, each battery writes to one and shares others; a van's memory is small."""
LEAST_LOG_PAGES, MOST_LOG_PAGES = 1_000, 16_000
"""Pages in the log before it is moved into the file. Judgement: 4 MB in a van, as SQLite does by itself; 64 MB for a fleet of thousands."""
Synchronous = Literal["FULL", "NORMAL"]


class DatabaseFull(RuntimeError):  # noqa: N818 - named for what happened
    """No room to write. Nothing of the transaction was kept; the caller holds it and tries again when space returned."""


class DatabaseDamaged(RuntimeError):  # noqa: N818
    """The file is not a sound database: it must be set aside (api.repair) before anything can be written."""


class DatabaseBusy(RuntimeError):  # noqa: N818
    """The database could not be reached or was locked too long; nothing was kept, trying again makes sense."""


class DatabaseNewer(RuntimeError):  # noqa: N818
    """A newer version of the service has brought the tables further than this one knows; nothing was touched."""


class Database:
    """Where transactions come from. Construction is cheap; `open` connects, migrates and gives itself back."""

    def __init__(self, url: str, *, synchronous: Synchronous = "FULL", checkpoints: bool = True, max_pages: int | None = None) -> None:
        """`url`: a path to a SQLite file, `sqlite:///path`, or `postgresql+psycopg://…`.

        `checkpoints=False` is for a second process beside the service (the command line): it writes but leaves moving
        the log into the file to the service. `max_pages` limits the size of the file (SQLite's max_page_count).
        """
        self.url = url if "://" in url else f"sqlite:///{url}"
        self.sqlite = self.url.startswith("sqlite")
        self._synchronous, self._checkpoints, self._max_pages = synchronous, checkpoints, max_pages
        self._lock = threading.RLock()
        self._write_engine: Engine | None = None
        self._read_engine: Engine | None = None
        self._writer: Connection | None = None
        self.commits = 0
        """Transactions committed by this process since it began."""
        self._replacing = False
        self.full = False
        """Whether the last transaction failed for want of room."""

    @property
    def path(self) -> Path:
        assert self.sqlite
        return Path(self.url.removeprefix("sqlite:///"))

    def open(self) -> "Database":
        """Connect and bring the tables to the newest version. Raises DatabaseDamaged, DatabaseBusy, DatabaseNewer."""
        if self._write_engine is not None:
            return self
        with said_plainly():
            if self.sqlite:
                self._open_sqlite()
            else:
                self._write_engine = self._read_engine = create_engine(self.url, pool_size=5, max_overflow=5, pool_pre_ping=True)
            self._migrate()
            if self.sqlite:
                self._fit_cache()
        return self

    def _open_sqlite(self) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        writer = create_engine(self.url, connect_args={"check_same_thread": False, "timeout": 10}, pool_size=1, max_overflow=0)
        event.listen(writer, "connect", self._on_connect)
        event.listen(writer, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
        event.listen(writer, "rollback", lambda connection: connection.info.clear())  # what is remembered of the tables beside it
        self._write_engine = writer
        try:
            self._writer = writer.connect()
        except BaseException:
            writer.dispose()
            self._write_engine = None
            raise
        readers = f"sqlite:///file:{self.path}?mode=ro&uri=true"
        self._read_engine = create_engine(
            readers, connect_args={"check_same_thread": False, "timeout": 10}, poolclass=QueuePool, pool_size=4, max_overflow=16
        )

    def _on_connect(self, connection: Any, _record: object) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute("PRAGMA journal_mode=WAL")
        cursor.execute(f"PRAGMA synchronous={self._synchronous}")
        cursor.execute("PRAGMA temp_store=MEMORY")
        cursor.execute(f"PRAGMA cache_size=-{LEAST_CACHE_KB}")
        if not self._checkpoints:
            cursor.execute("PRAGMA wal_autocheckpoint=0")
        if self._max_pages is not None:
            cursor.execute(f"PRAGMA max_page_count={int(self._max_pages)}")
        cursor.close()

    def _migrate(self) -> None:
        """Alembic is heavy to import (a third of a second on a small board), so only when there is something to do."""
        with self.writing() as connection:
            found = _version(connection)
            if found == HEAD:
                return
            if found is not None and found > HEAD:
                raise DatabaseNewer(
                    f"the tables are of version {found}, this service knows them up to {HEAD}: start the newer version of it"
                )
            from api.migrations import upgrade

            if not self.sqlite:  # two replicas that start at once must not both create the tables; judgement: any fixed number
                connection.execute(text("SELECT pg_advisory_xact_lock(7248116)"))
            upgrade(connection)

    def _fit_cache(self) -> None:
        """Room for the page that each battery writes to: without it a fleet reads them again with every commit; a van needs hardly any.

        In the log too: a page that came into it several times is then moved into the file once.
        """
        with self.writing() as connection:
            batteries = connection.exec_driver_sql("SELECT count(*) FROM batteries").scalar_one()
            kilobytes = min(MOST_CACHE_KB, LEAST_CACHE_KB + CACHE_KB_A_BATTERY * batteries)
            connection.exec_driver_sql(f"PRAGMA cache_size=-{kilobytes}")
            if self._checkpoints:
                pages = min(MOST_LOG_PAGES, LEAST_LOG_PAGES + 2 * batteries)
                connection.exec_driver_sql(f"PRAGMA wal_autocheckpoint={pages}")
                connection.exec_driver_sql(f"PRAGMA journal_size_limit={pages * 4_200}")

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """One transaction, all or nothing. With SQLite callers queue for the one writing connection.

        Raises DatabaseFull, DatabaseBusy or DatabaseDamaged instead of the driver's errors of that kind.
        """
        try:
            with said_plainly():
                self._must_be_open()
                if self._writer is None:
                    assert self._write_engine is not None
                    with self._write_engine.begin() as connection:
                        yield connection
                else:
                    with self._lock, self._writer.begin():
                        yield self._writer
        except DatabaseFull:
            self.full = True
            raise
        self.commits += 1
        self.full = False

    def reading(self) -> AbstractContextManager[Connection]:
        """A connection that only reads and sees what is committed."""
        self._must_be_open()
        assert self._read_engine is not None
        return _reading(self._read_engine)

    def _must_be_open(self) -> None:
        if self._replacing and self._write_engine is None:
            raise DatabaseBusy("the damaged database is being replaced")
        assert self._write_engine is not None, "open the database first"

    def replaced(self, move: Callable[[Path], T]) -> T:
        """Close the file, let `move` take it away, and begin a new one (SQLite). Who writes waits, who reads is told that it is busy."""
        with self._lock:
            self._replacing = True
            try:
                self.close()
                moved = move(self.path)
                self.open()
            finally:
                self._replacing = False
        return moved

    def trouble(self) -> str | None:
        """What the database finds wrong with itself, in its own words; None if it is sound. Reads the whole file."""
        if not self.sqlite:
            return None
        with self.reading() as connection:
            found = [str(line) for line in connection.exec_driver_sql("PRAGMA quick_check(5)").scalars()]
        return None if found == ["ok"] else "; ".join(found)

    @contextmanager
    def alone(self) -> Iterator[Any]:
        """The driver's own writing connection, outside any transaction (SQLite): for checkpoints and backups."""
        assert self._writer is not None
        with self._lock:
            yield self._writer.connection.driver_connection

    def close(self) -> None:
        """Close all connections; the last one moves the log into the file."""
        if self._read_engine is not None:
            self._read_engine.dispose()
        if self._writer is not None:
            self._writer.close()
        if self._write_engine is not None:
            self._write_engine.dispose()
        self._write_engine = self._read_engine = self._writer = None

    def __enter__(self) -> "Database":
        return self.open()

    def __exit__(self, *exc: object) -> None:
        self.close()


@contextmanager
def _reading(engine: Engine) -> Iterator[Connection]:
    with said_plainly(), engine.connect() as connection:
        yield connection


@contextmanager
def said_plainly() -> Iterator[None]:
    """The driver's errors as the three that a caller treats differently; anything else is a bug and goes through."""
    try:
        yield
    except DatabaseError as e:
        raise kind_of(str(e.orig), isinstance(e, OperationalError))(str(e.orig)) from e


def kind_of(message: str, operational: bool) -> Callable[[str], Exception]:
    """Which of the errors a driver's message means; its own words are kept in the new one."""
    lower = message.lower()
    if any(words in lower for words in ("disk is full", "no space left", "could not extend file", "disk full")):
        return lambda words: DatabaseFull(f"no room to write: {words}")
    if "malformed" in lower or "not a database" in lower or "disk i/o error" in lower:
        return lambda words: DatabaseDamaged(f"the database is damaged: {words}")
    if operational:
        return lambda words: DatabaseBusy(f"the database did not answer: {words}")
    return lambda words: DatabaseError(words, None, Exception(words))


def _version(connection: Connection) -> str | None:
    if not connection.dialect.has_table(connection, "alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()
