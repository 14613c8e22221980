"""A PostgreSQL server as a process on the loopback that can be killed and started again. For tests only."""

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

from tests.databases import as_postgres, postgres_programs
from tests.fleet.rabbit import free_ports, wait_for_port
from tests.fleet.tether import Tethered


class Postgres:
    """A context. Its data lie in a folder of their own that is removed at the end."""

    def __init__(self) -> None:
        (self.port,) = free_ports(1)
        self.url = f"postgresql+psycopg://restvolt@127.0.0.1:{self.port}/postgres"
        self._process: Tethered | None = None

    def __enter__(self) -> "Postgres":
        programs = postgres_programs()
        if programs is None:
            raise RuntimeError("PostgreSQL is not installed: apt-get install postgresql")
        self._programs = programs
        self._folder = Path(tempfile.mkdtemp(prefix="restvolt-fleet-pg-"))
        try:
            if not os.geteuid():
                owner = pwd.getpwnam("postgres")
                os.chown(self._folder, owner.pw_uid, owner.pw_gid)
            made = [
                str(programs / "initdb"),
                "-D",
                str(self._folder / "data"),
                "-U",
                "restvolt",
                "-A",
                "trust",
                "--no-sync",
                "-E",
                "UTF8",
                "--locale=C",
            ]
            subprocess.run(as_postgres(made), check=True, capture_output=True, cwd="/")
            self.start()
        except BaseException:
            self.__exit__()
            raise
        return self

    def start(self) -> None:
        command = [str(self._programs / "postgres"), "-D", str(self._folder / "data"), "-k", str(self._folder), "-p", str(self.port)]
        command += [
            "-c",
            "listen_addresses=127.0.0.1",
            "-c",
            "shared_buffers=64MB",
            "-c",
            "max_connections=60",
            "-c",
            "logging_collector=off",
        ]
        self._process = Tethered(as_postgres(command), cwd="/")
        wait_for_port(self.port, 30, self._process)
        self._wait_for_answers()

    def _wait_for_answers(self) -> None:
        """The port is open before the server takes anybody; on a busy machine by seconds."""
        asked = [str(self._programs / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)]
        until_s = time.monotonic() + 60
        while subprocess.run(asked, check=False).returncode and time.monotonic() < until_s:
            time.sleep(0.1)

    def stop_at_once(self) -> None:
        """As after a power cut: connections are gone, and the next start recovers from the log."""
        if self._process is not None:
            stop = [str(self._programs / "pg_ctl"), "-D", str(self._folder / "data"), "-m", "immediate", "-w", "stop"]
            subprocess.run(as_postgres(stop), check=False, capture_output=True, cwd="/")
            self._process.kill()
            self._process = None

    def __exit__(self, *_: object) -> None:
        self.stop_at_once()
        shutil.rmtree(self._folder, ignore_errors=True)
