"""The app behind a real server on a free port of this machine, in a thread."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

from api.serving import Server


@contextmanager
def served(app: FastAPI) -> Iterator[str]:
    """The address of the running app. Stops it afterwards, streams and all."""
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    server = Server(uvicorn.Config(app, log_level="error", lifespan="off", ws="none", timeout_graceful_shutdown=2))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield f"http://127.0.0.1:{listener.getsockname()[1]}"
    finally:
        app.state.house.live.close()
        server.should_exit = True
        thread.join(10)
        listener.close()
