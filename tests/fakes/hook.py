"""A web hook of somebody's own on the loopback: it keeps what it is sent, and may be slow to answer."""

import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any


class Hook:
    """Listens from the beginning until `close`."""

    def __init__(self, answers_after_s: float = 0.0) -> None:
        heard = self.heard = list[dict[str, Any]]()

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                heard.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
                time.sleep(answers_after_s)
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = self._server.server_port
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
