"""A real broker for tests: mosquitto where it is installed, otherwise the pure-Python one of the `broker` extra. Each on a free port."""

import asyncio
import os
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

import pytest

MOSQUITTO = shutil.which("mosquitto") or next((p for p in ("/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto") if Path(p).exists()), None)

ONLY_MOSQUITTO = pytest.mark.skipif(
    MOSQUITTO is None, reason="needs what only mosquitto has (durable store, TLS, passwords); CI installs it"
)
"""The one mark of its kind: on a machine without mosquitto the other broker tests still run, on the embedded broker."""

DURABLE = ("persistence true", "autosave_interval 1", "autosave_on_changes true", "max_queued_messages 100000")
"""What mosquitto needs so that it keeps what it has acknowledged."""


def free_port() -> int:
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        port: int = s.getsockname()[1]
        return port


class Broker:
    """One broker process. `stop` and `start` again keep port, settings and (with DURABLE) what it holds."""

    def __init__(self, folder: Path, *lines: str, listener: Sequence[str] = ("allow_anonymous true",), port: int | None = None) -> None:
        self.port = port or free_port()
        self.folder = folder
        self._config = folder / f"broker-{self.port}.conf"
        text = [f"listener {self.port} 127.0.0.1", *listener, f"persistence_location {folder}/", "log_dest none", *lines]
        if os.geteuid() == 0:
            text.append("user root")  # otherwise it becomes a user that cannot read the test's folder
        self._config.write_text("\n".join(text) + "\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> "Broker":
        if MOSQUITTO is not None:
            command = [MOSQUITTO, "-c", str(self._config)]
        else:
            command = [sys.executable, "-W", "ignore", __file__, str(self.port)]
        self._process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        deadline = time.monotonic() + 15
        while time.monotonic() < deadline:
            with socket.socket() as s:
                if s.connect_ex(("127.0.0.1", self.port)) == 0:
                    return self
            if self._process.poll() is not None:
                raise RuntimeError(f"the broker ended with {self._process.returncode}: {self._config.read_text()}")
            time.sleep(0.02)
        raise RuntimeError("the broker does not listen")

    def stop(self) -> None:
        """Ask it to end."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """As a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def __enter__(self) -> "Broker":
        return self.start()

    def __exit__(self, *exc: object) -> None:
        self.stop()


async def _embedded(port: int) -> None:
    from amqtt.broker import Broker as Embedded  # only where mosquitto is missing

    broker = Embedded(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(_embedded(int(sys.argv[1])))
