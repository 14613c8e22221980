"""Keeps pushes from being turned inwards: an address in the settings or a request must not reach this machine or its network.

OWASP API Security Top 10 2023, API7 (server-side request forgery). The name is resolved and judged before each push, redirects are
not followed, and while the push runs every connection of its thread is judged once more by the address that it really goes to: a
name server that answers well when asked and badly a moment later gains nothing.
"""

import ipaddress
import socket
import sys
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cache
from urllib.parse import urlsplit
from urllib.request import getproxies

from api.ports import PushFailed, PushRefused


class BadAddress(ValueError):  # noqa: N818 - named for what it is
    """An address that no channel understands. The text never holds the address itself: it may hold a password."""


def check_host(host: str, port: int | None = None) -> None:
    """Raises PushRefused for a host within loopback, private, link-local or other non-public ranges (RFC 6890), PushFailed if unknown."""
    for address in resolved(host, port):
        if not is_public(address):
            raise refused(host, address)


def is_public(address: str) -> bool:
    """Whether an IP address lies outside the ranges of RFC 6890, also when it is an IPv4 address written as IPv6."""
    plain = ipaddress.ip_address(address.partition("%")[0])
    mapped = plain.ipv4_mapped if isinstance(plain, ipaddress.IPv6Address) else None
    return (mapped or plain).is_global


def refused(host: str, address: str) -> PushRefused:
    return PushRefused(
        f"{host} leads to {address}, inside this machine or its network. Set allow_private_addresses = true if that is what you want."
    )


class _Watched(threading.local):
    """Whether this thread is pushing, which proxies it may use, and what it was kept from."""

    on = False
    proxies: frozenset[str] = frozenset()
    kept_from: PushRefused | None = None


_WATCHED = _Watched()


@contextmanager
def outward() -> Iterator[None]:
    """Within, this thread connects to public addresses and to the machine's own proxies only, whatever library does it.

    Raises PushRefused at the end if it tried another one, even if the library took the refusal for a fault of the network.
    """
    _watch()
    _WATCHED.proxies, _WATCHED.kept_from, _WATCHED.on = proxies_at(), None, True
    try:
        yield
    except Exception:
        if _WATCHED.kept_from is not None:
            raise _WATCHED.kept_from from None
        raise
    finally:
        _WATCHED.on = False
    if _WATCHED.kept_from is not None:
        raise _WATCHED.kept_from


@cache
def _watch() -> None:
    """Python tells its audit hooks of each connection with the address it goes to (PEP 578); a hook stays for the life of the process."""
    sys.addaudithook(_connecting)


def _connecting(event: str, args: tuple[object, ...]) -> None:
    if event != "socket.connect" or not _WATCHED.on:
        return
    address = args[1]
    host = str(address[0]) if isinstance(address, tuple) else str(address)
    try:
        allowed = host in _WATCHED.proxies or is_public(host)
    except ValueError:  # a name, or a socket of this machine: what it leads to was not judged
        allowed = False
    if not allowed:
        _WATCHED.kept_from = refused("the address", host)
        raise PermissionError("refused by the guard")  # as the system would: libraries know how to close what they opened


def proxies_at(asked: Mapping[str, str] | None = None) -> frozenset[str]:
    """Where the proxies of the environment are (or of `asked`): whoever set them may send everything there."""
    found: set[str] = set()
    for scheme, url in (getproxies() if asked is None else asked).items():
        if scheme == "no":  # where no proxy is to be used
            continue
        parts = urlsplit(url if "//" in url else f"//{url}")
        try:
            found.update(resolved(parts.hostname or "", parts.port))
        except PushFailed:
            continue
    return frozenset(found)


def resolved(host: str, port: int | None) -> Sequence[str]:
    """The addresses of a host. Raises PushFailed where the name is not known now."""
    try:
        found = socket.getaddrinfo(host.strip("[]"), port or 443, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as e:
        raise PushFailed(f"the name {host} is not known at the moment") from e
    return [str(entry[4][0]) for entry in found]
