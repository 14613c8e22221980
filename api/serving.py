"""The web server inside the service's own event loop. The root decides when it stops, so it listens to no signals itself."""

import asyncio
import socket
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager
from typing import Any

import uvicorn

STOP_S = 2
"""Judgement: an answer on its way is finished in two seconds; a live stream ends when it is told to."""


class Server(uvicorn.Server):
    """Uvicorn's server without its signal handlers."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """And whoever came in the moment of stopping, or does not go in time, is torn off rather than left hanging."""
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):
            connection.transport.abort()
        await asyncio.sleep(0)  # an aborted transport closes its socket in the loop's next turn


def listening(host: str, port: int) -> socket.socket:
    """A socket that listens. Raises OSError with what to do about it."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=128)
    except OSError as e:
        raise OSError(f"the page cannot be served at {host} port {port}: {e.strerror}. Is another program using it? See [web] port.") from e


@asynccontextmanager
async def served(app: Any, host: str, port: int, over: asyncio.Event) -> AsyncIterator[str]:
    """Serve the app; gives its address. Sets `over` if the server ends by itself."""
    with listening(host, port) as listener:
        name = f"[{host}]" if ":" in host else host
        config = uvicorn.Config(app, log_level="warning", access_log=False, lifespan="off", timeout_graceful_shutdown=STOP_S)
        server = Server(config)
        task = asyncio.create_task(server.serve(sockets=[listener]), name="web")
        task.add_done_callback(lambda _: over.set())
        try:
            yield f"http://{name}:{listener.getsockname()[1]}"
        finally:
            server.should_exit = True
            await task
