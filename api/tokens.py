"""Tokens: who may ask what of which fleet. Only a hash of a token is kept; a lost token is replaced, never shown again.

A token is `rv_<id>_<secret>`: the id finds the record, scrypt (RFC 7914) compares the secret. Nobody gets a token by default.
"""

import base64
import hashlib
import hmac
import json
import re
import secrets
import threading
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal, get_args

Role = Literal["read", "operate", "ingest", "admin"]
"""read: look; operate: look, acknowledge, shelve, keep the care log; ingest: send readings, nothing else; admin: everything."""
ROLES: tuple[Role, ...] = get_args(Role)

MAY: dict[str, frozenset[str]] = {
    "read": frozenset({"read"}),
    "operate": frozenset({"read", "operate"}),
    "ingest": frozenset({"ingest"}),
    "admin": frozenset({"read", "operate", "ingest", "admin"}),
}

COST = 2**14
"""scrypt N with r = 8, p = 1: the interactive setting of the scrypt paper (Percival 2009): 16 MiB and tens of milliseconds.
The secret has 256 random bits, so this only slows a thief down who has the file."""
SHAPE = re.compile(r"rv_([0-9a-f]{12})_([A-Za-z0-9_-]{43})")


@dataclass(frozen=True, slots=True)
class Token:
    """A token as kept. `fleet` None: every fleet. `expires_ms` None: until it is withdrawn."""

    id: str
    name: str
    role: Role
    fleet: str | None
    made_ms: int
    expires_ms: int | None
    salt: str
    hash: str

    def may(self, role: str) -> bool:
        return role in MAY[self.role]


class TokenError(ValueError):
    """The tokens file cannot be used: says which and why."""


def issue(name: str, role: Role, fleet: str | None, now_ms: int, expires_ms: int | None = None) -> tuple[str, Token]:
    """A new token: the text to hand over once, and the record to keep."""
    if role not in ROLES:
        raise TokenError(f"role = {role!r}: expected one of {', '.join(ROLES)}")
    token_id, secret, salt = secrets.token_hex(6), secrets.token_urlsafe(32), secrets.token_hex(16)
    return f"rv_{token_id}_{secret}", Token(token_id, name, role, fleet, now_ms, expires_ms, salt, _hashed(secret, salt))


def _hashed(secret: str, salt: str) -> str:
    key = hashlib.scrypt(secret.encode(), salt=bytes.fromhex(salt), n=COST, r=8, p=1, maxmem=64 * 2**20, dklen=32)
    return base64.b64encode(key).decode()


class Tokens:
    """The tokens in a file of their own, read again when it changes, so that a withdrawn token ends at once."""

    def __init__(self, path: Path | None = None, tokens: Iterable[Token] = ()) -> None:
        self._path = path
        self._tokens = {token.id: token for token in tokens}
        self._seen: tuple[int, int] | None = None
        self._proven: dict[bytes, str] = {}
        """Keyed hash of a whole token to its id: scrypt runs once per token and process, not once per request."""
        self._key = secrets.token_bytes(32)
        self._lock = threading.Lock()

    def find(self, text: str, now_ms: int) -> Token | None:
        """The record of this token, or None if it is unknown, wrong, withdrawn or expired."""
        shape = SHAPE.fullmatch(text)
        if shape is None:
            return None
        token = self.get(shape[1], now_ms)
        if token is None:
            return None
        mark = hmac.digest(self._key, text.encode() + token.hash.encode(), "sha256")
        if self._proven.get(mark) == token.id:
            return token
        if not hmac.compare_digest(_hashed(shape[2], token.salt), token.hash):
            return None
        if len(self._proven) > 10_000:
            self._proven.clear()
        self._proven[mark] = token.id
        return token

    def get(self, token_id: str, now_ms: int) -> Token | None:
        """The record with this id, unless it is expired."""
        self._renew()
        token = self._tokens.get(token_id)
        if token is None or (token.expires_ms is not None and token.expires_ms <= now_ms):
            return None
        return token

    def all(self) -> list[Token]:
        self._renew()
        return list(self._tokens.values())

    def add(self, token: Token) -> None:
        with self._lock:
            self._read()
            self._tokens[token.id] = token
            self._write()

    def withdraw(self, token_id: str) -> bool:
        """True if there was one."""
        with self._lock:
            self._read()
            found = self._tokens.pop(token_id, None) is not None
            self._write()
        return found

    def _renew(self) -> None:
        if self._path is None:
            return
        try:
            stat = self._path.stat()
        except FileNotFoundError:
            self._tokens, self._seen = {}, None
            return
        if (stat.st_mtime_ns, stat.st_size) != self._seen:
            with self._lock:
                self._read()

    def _read(self) -> None:
        if self._path is None or not self._path.exists():
            return
        stat = self._path.stat()
        if stat.st_mode & 0o077:
            raise TokenError(f"{self._path}: others on this machine can read it; run: chmod 600 {self._path}")
        try:
            rows = json.loads(self._path.read_text())
            self._tokens = {row["id"]: Token(**row) for row in rows}
        except (ValueError, TypeError, KeyError) as e:
            raise TokenError(f"{self._path}: not a file of tokens ({e}); restore it or make new tokens") from e
        self._seen = (stat.st_mtime_ns, stat.st_size)

    def _write(self) -> None:
        if self._path is None:
            return
        draft = self._path.with_suffix(".new")
        draft.touch(mode=0o600)
        draft.write_text(json.dumps([asdict(token) for token in self._tokens.values()], indent=1))
        draft.replace(self._path)


def session_value(token: Token, until_ms: int) -> str:
    """The value of a session cookie: whose token, until when, sealed with the token's own hash.

    No secret of our own is needed, it outlives a restart, and withdrawing the token ends its sessions.
    """
    return f"{token.id}.{until_ms}.{_seal(token, until_ms)}"


def session_token(value: str, tokens: Tokens, now_ms: int) -> Token | None:
    """The token behind a session cookie, or None if it is forged, over or withdrawn."""
    token_id, _, rest = value.partition(".")
    until, _, seal = rest.partition(".")
    if not until.isascii() or not until.isdigit() or len(until) > 15 or int(until) <= now_ms:
        return None
    token = tokens.get(token_id, now_ms)
    if token is None or not hmac.compare_digest(seal.encode(), _seal(token, int(until)).encode()):
        return None
    return token


def _seal(token: Token, until_ms: int) -> str:
    return hmac.digest(token.hash.encode(), f"session {token.id} {until_ms}".encode(), "sha256").hex()
