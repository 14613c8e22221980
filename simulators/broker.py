"""A small MQTT broker for demonstrations and tests, in a process of its own. In memory only, no passwords: loopback, and nothing else.

Needs the extra `broker` (amqtt, pure Python). Run: `python -m simulators broker [--port 0]`; it prints one line of JSON with its port.
"""

import asyncio
import contextlib
import socket
import subprocess
import sys
from collections.abc import Callable
from types import TracebackType


def free_port() -> int:
    """A port of the loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


async def serve(port: int, ready: Callable[[int], None], stop: asyncio.Event) -> None:
    """Run the broker until `stop` is set."""
    from amqtt.broker import Broker  # type: ignore[import-untyped]

    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}", "max_connections": 50}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
        }
    )
    await broker.start()
    ready(port)
    try:
        await stop.wait()
    finally:
        with contextlib.suppress(Exception):
            await broker.shutdown()


class BrokerProcess:
    """The broker as a child process; a context. It ends when its standard input closes, so it never outlives its parent."""

    def __init__(self) -> None:
        self.host, self.port = "127.0.0.1", free_port()
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> "BrokerProcess":
        command = [sys.executable, "-m", "simulators", "broker", "--port", str(self.port), "--until-stdin-closes"]
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and arguments
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
        )
        assert self._process.stdout is not None
        if not self._process.stdout.readline():
            self.__exit__(None, None, None)
            raise RuntimeError("the embedded broker did not start: is the extra `broker` installed, and the port free?")
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        process = self._process
        if process is None:
            return
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        try:
            process.wait(5)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self._process = None
