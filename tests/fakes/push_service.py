"""A push service on loopback with a browser behind it: takes what RFC 8030 sends, and opens it with the browser's own keys (RFC 8291)."""

import base64
import json
import queue
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import http_ece
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from tests.fakes.loopback import Handler, serving


class Taking(Handler):
    """Keeps what it gets and answers as told."""

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["content-length"]))
        self.server.got.put((self.path, {name.lower(): value for name, value in self.headers.items()}, body))
        self.send_response(self.server.status)
        self.send_header("content-length", "0")
        self.end_headers()


class PushService:
    """`status` is what it answers from now on."""

    def __init__(self, server: Any) -> None:
        self._server = server
        self._key, self._secret = ec.generate_private_key(ec.SECP256R1()), b"0123456789abcdef"

    @property
    def status(self) -> int:
        return int(self._server.status)

    @status.setter
    def status(self, value: int) -> None:
        self._server.status = value

    def subscription(self, name: str = "one") -> dict[str, Any]:
        """As `PushSubscription.toJSON()` of a browser."""
        public = self._key.public_key().public_bytes(serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint)
        endpoint = f"http://127.0.0.1:{self._server.server_port}/push/{name}"
        return {"endpoint": endpoint, "expirationTime": None, "keys": {"p256dh": _text(public), "auth": _text(self._secret)}}

    def opened(self) -> dict[str, Any]:
        """The next message as the browser reads it."""
        _, headers, body = self._server.got.get(timeout=20)
        assert headers["content-encoding"] == "aes128gcm"
        read: dict[str, Any] = json.loads(http_ece.decrypt(body, private_key=self._key, auth_secret=self._secret, version="aes128gcm"))
        self.headers = headers
        return read


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


@contextmanager
def push_service() -> Iterator[PushService]:
    """It runs in a thread until the end of the block."""
    with serving(Taking, got=queue.Queue(), status=201) as server:
        yield PushService(server)
