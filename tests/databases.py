"""Databases for tests: a fresh SQLite file, and a fresh schema of a PostgreSQL server.

The server is the one that RESTVOLT_TEST_POSTGRES_URL names, or one started here from the distribution's programs on a free
port of the loopback, removed at the end. Where neither is there, the PostgreSQL variants do not exist (ids show what ran).
"""

import contextlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import create_engine, text

from api.database import Database


@cache
def postgres_programs() -> Path | None:
    """The folder of initdb and postgres; the newest version that is installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda p: int(p.parent.parent.name))
    return found[-1].parent if found else None


KINDS = ["sqlite", "postgres"] if os.environ.get("RESTVOLT_TEST_POSTGRES_URL") or postgres_programs() else ["sqlite"]


def as_postgres(command: list[str]) -> list[str]:
    """The server refuses to run as root: there it runs as the user its package made."""
    return command if os.geteuid() else ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", *command]


@contextlib.contextmanager
def postgres_server() -> Iterator[str]:
    """A server of its own on a free port, its data in a folder that is removed; gives its URL."""
    programs = postgres_programs()
    assert programs is not None
    folder = Path(tempfile.mkdtemp(prefix="restvolt-pg-"))
    if not os.geteuid():
        owner = pwd.getpwnam("postgres")
        os.chown(folder, owner.pw_uid, owner.pw_gid)
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port = s.getsockname()[1]
    data = str(folder / "data")
    settings = f"-c listen_addresses=127.0.0.1 -c port={port} -c unix_socket_directories={folder} -c fsync=off -c shared_buffers=16MB"
    try:
        made = [str(programs / "initdb"), "-D", data, "-U", "restvolt", "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C"]
        subprocess.run(as_postgres(made), check=True, capture_output=True, cwd="/")
        start = [str(programs / "pg_ctl"), "-D", data, "-o", settings, "-l", str(folder / "log"), "-w", "start"]
        subprocess.run(as_postgres(start), check=True, capture_output=True, cwd="/")
        yield f"postgresql+psycopg://restvolt@127.0.0.1:{port}/postgres"
    finally:
        stop = [str(programs / "pg_ctl"), "-D", data, "-m", "immediate", "stop"]
        subprocess.run(as_postgres(stop), check=False, capture_output=True, cwd="/")
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """The URL of a server for this test process."""
    if url := os.environ.get("RESTVOLT_TEST_POSTGRES_URL"):
        yield url
    else:
        with postgres_server() as url:
            yield url


@contextlib.contextmanager
def fresh(kind: str, folder: Path, request: pytest.FixtureRequest) -> Iterator[Database]:
    """An open database without any rows."""
    if kind == "sqlite":
        with Database(str(folder / "restvolt.db")) as database:
            yield database
        return
    url = request.getfixturevalue("postgres_url")
    schema = f"t{uuid4().hex}"
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    try:
        with Database(f"{url}?options=-csearch_path%3D{schema}") as database:
            yield database
    finally:
        with engine.begin() as connection:
            connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
        engine.dispose()


@pytest.fixture(params=KINDS)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Database]:
    """An open, empty database of each kind."""
    with fresh(request.param, tmp_path, request) as opened:
        yield opened
