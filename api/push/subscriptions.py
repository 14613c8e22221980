"""Browsers that want to be told (web push): a folder that only its owner may read, with the service's key and a file for each browser.

A subscription is made on the page, belongs to a person and is forgotten when the push service says that it is gone. What the
browser sends is checked here; nothing is sent from here.
"""

import base64
import binascii
import hashlib
import importlib.util
import json
import os
import re
from pathlib import Path
from urllib.parse import urlsplit

from api.ports import Subscription

KEY = "key"
MOST = 200
"""Judgement: more browsers than a yard has people; beyond it somebody fills the disk."""
SHAPE = re.compile(r"[0-9a-f]{16}")


class Subscriptions:
    """`contact`: where a push service can reach who runs this (RFC 8292 section 2.1)."""

    def __init__(self, folder: Path, contact: str, *, allow_private: bool = False) -> None:
        self._folder, self._contact, self._allow_private = folder, contact, allow_private

    def why_not(self) -> str | None:
        """Why no browser can subscribe here; None if it can."""
        if importlib.util.find_spec("pywebpush") is None:
            return "The service lacks the part that sends to browsers: pip install 'restvolt[webpush]', then start it again."
        return None

    def public_key(self) -> str:
        """The service's key as a browser wants it (RFC 8292 section 3.2); made at the first time it is needed."""
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
        from py_vapid import Vapid02  # type: ignore[import-untyped]

        key = Vapid02.from_string(self._private_key())
        return _text(key.public_key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint))

    def _private_key(self) -> str:
        from py_vapid import Vapid02

        path = self._folder / KEY
        if not path.exists():
            made = Vapid02()
            made.generate_keys()
            self._write(path, _text(made.private_key.private_numbers().private_value.to_bytes(32, "big")))
        return path.read_text(encoding="ascii").strip()

    def add(self, person: str, fleet: str | None, device: str, endpoint: str, keys: dict[str, str], now_ms: int) -> Subscription:
        """Keep a browser; the same browser again replaces what was kept. Raises ValueError with what was expected."""
        self._check(endpoint, keys)
        name = hashlib.blake2b(endpoint.encode(), digest_size=8).hexdigest()
        if len(self.all()) >= MOST and not self._path(name).exists():
            raise ValueError(f"endpoint: {MOST} browsers are subscribed, which is the most; take one away first")
        held = {
            "subscription": {"endpoint": endpoint, "keys": {"p256dh": keys["p256dh"], "auth": keys["auth"]}},
            "private_key": self._private_key(), "contact": self._contact,
            "person": person, "fleet": fleet, "device": device, "made_ms": now_ms,
        }  # fmt: skip
        self._write(self._path(name), json.dumps(held))
        return Subscription(name, person, fleet, device, now_ms)

    def remove(self, subscription_id: str) -> bool:
        """True if there was one."""
        path = self._path(subscription_id)
        if SHAPE.fullmatch(subscription_id) is None or not path.exists():
            return False
        path.unlink()
        return True

    def all(self) -> list[Subscription]:
        """Oldest first. A file that cannot be read is left alone and left out."""
        found = []
        for path in self._folder.glob("*.json"):
            try:
                held = json.loads(path.read_text(encoding="utf-8"))
                found.append(Subscription(path.stem, held["person"], held["fleet"], held["device"], held["made_ms"]))
            except (OSError, ValueError, KeyError, TypeError):
                continue
        return sorted(found, key=lambda s: (s.made_ms, s.id))

    def address(self, subscription: Subscription) -> str:
        """For `api.push.open_channel`."""
        return f"webpush:{self._path(subscription.id)}"

    def changed(self) -> object:
        """Another value whenever a browser came or went, in whichever process."""
        try:
            return self._folder.stat().st_mtime_ns
        except FileNotFoundError:
            return None

    def _path(self, subscription_id: str) -> Path:
        return self._folder / f"{subscription_id}.json"

    def _check(self, endpoint: str, keys: dict[str, str]) -> None:
        parts = urlsplit(endpoint)
        if not parts.hostname or (parts.scheme != "https" and not (self._allow_private and parts.scheme == "http")):
            raise ValueError("endpoint: expected the https address of a push service, as the browser gave it")
        for name, length in (("p256dh", 65), ("auth", 16)):
            if len(_bytes(keys.get(name, ""))) != length:
                raise ValueError(f"keys.{name}: expected {length} bytes in base64url, as the browser gave it (RFC 8291)")

    def _write(self, path: Path, text: str) -> None:
        self._folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        draft = path.with_suffix(".new")
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8") as file:
            file.write(text)
        draft.replace(path)


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _bytes(text: str) -> bytes:
    try:
        return base64.b64decode(text.encode("ascii") + b"=" * (-len(text) % 4), altchars=b"-_", validate=True)
    except (UnicodeEncodeError, binascii.Error):
        return b""
