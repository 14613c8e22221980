"""An HTTP server on the loopback for the length of a block, for whoever stands outside: a web hook, a push service, a watcher."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Handler(BaseHTTPRequestHandler):
    """Answers in silence; what it keeps and what it is told stands at `self.server`."""

    server: Any

    def log_message(self, *args: object) -> None:
        """Silent."""


@contextmanager
def serving(handler: type[Handler], **known: object) -> Iterator[Any]:
    """The server, with these attributes; its threads have ended when the block has."""
    server: Any = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    vars(server).update(known)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        yield server
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
