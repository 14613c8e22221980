"""Keeps pushes from being turned inwards: an address in the settings or a request must not reach this machine or its network.

OWASP API Security Top 10 2023, API7 (server-side request forgery). The name is resolved again at each push, and redirects are
not followed, so that an address that was good cannot become a bad one.
"""

import ipaddress
import socket
from collections.abc import Sequence

from api.ports import PushFailed, PushRefused


class BadAddress(ValueError):  # noqa: N818 - named for what it is
    """An address that no channel understands. The text never holds the address itself: it may hold a password."""


def check_host(host: str, port: int | None = None) -> None:
    """Raises PushRefused for a host within loopback, private, link-local or other non-public ranges (RFC 6890), PushFailed if unknown."""
    for address in resolved(host, port):
        plain = ipaddress.ip_address(address.partition("%")[0])
        mapped = plain.ipv4_mapped if isinstance(plain, ipaddress.IPv6Address) else None
        if not (mapped or plain).is_global:
            raise PushRefused(
                f"{host} leads to {plain}, inside this machine or its network. Set allow_private_addresses = true if that is what you want."
            )


def resolved(host: str, port: int | None) -> Sequence[str]:
    """The addresses of a host. Raises PushFailed where the name is not known now."""
    try:
        found = socket.getaddrinfo(host.strip("[]"), port or 443, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError) as e:
        raise PushFailed(f"the name {host} is not known at the moment") from e
    return [str(entry[4][0]) for entry in found]
