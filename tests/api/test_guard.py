"""Pushes are not turned inwards: judged by name before, and by the address of each connection while they run."""

import socket
import threading
from collections.abc import Iterator
from contextlib import closing, suppress

import pytest

from api.ports import Message, PushRefused
from api.push.apprise_channel import AppriseChannel
from api.push.guard import is_public, outward, proxies_at


@pytest.fixture
def inside() -> Iterator[socket.socket]:
    """Something on this machine that listens."""
    with closing(socket.create_server(("127.0.0.1", 0))) as server:
        server.settimeout(0.2)
        yield server


def nobody_came(server: socket.socket) -> bool:
    try:
        server.accept()
    except TimeoutError:
        return True
    return False


def test_a_watched_thread_cannot_connect_inwards(inside: socket.socket) -> None:
    """The connection is refused before anything is sent, also through a library that takes the refusal for its own."""
    with pytest.raises(PushRefused, match="allow_private_addresses"), outward():
        socket.create_connection(inside.getsockname(), 1)
    with pytest.raises(PushRefused), outward(), suppress(OSError):
        socket.create_connection(inside.getsockname(), 1)
    assert nobody_came(inside)


def test_only_the_pushing_thread_is_watched_and_only_while_it_pushes(inside: socket.socket) -> None:
    """Other threads, and the same thread afterwards, connect as ever."""
    reached = []

    def other() -> None:
        with closing(socket.create_connection(inside.getsockname(), 1)) as connection:
            reached.append(connection)

    with outward():
        thread = threading.Thread(target=other)
        thread.start()
        thread.join()
    other()
    assert len(reached) == 2


def test_a_name_that_leads_inwards_only_after_it_was_judged_is_refused(inside: socket.socket) -> None:
    """A name server that answered well a moment ago (here: the check lets the name pass) gains nothing: the connection is judged too."""
    channel = AppriseChannel("hook", f"json://localhost:{inside.getsockname()[1]}/", check=lambda host, port: None)
    with pytest.raises(PushRefused):
        channel.push(Message("Battery low", "12.1 V", "medium", "heron:low_voltage:1", "heron"))
    assert nobody_came(inside)


def test_a_proxy_of_the_environment_may_be_inside_and_an_exception_from_it_may_not() -> None:
    """Who sets a proxy may send everything there; the hosts that are to be reached without one are no proxies."""
    assert proxies_at({"https": "http://127.0.0.1:3128", "no": "127.0.0.2", "http": "127.0.0.3:80"}) == {"127.0.0.1", "127.0.0.3"}


@pytest.mark.parametrize(
    ("address", "public"),
    [
        ("127.0.0.1", False), ("10.1.2.3", False), ("192.168.1.4", False), ("169.254.169.254", False), ("100.64.0.1", False), ("::1", False),
        ("fe80::1%eth0", False), ("::ffff:10.0.0.1", False), ("fd00::1", False), ("9.9.9.9", True), ("2620:fe::fe", True),
    ],
)  # fmt: skip
def test_ranges_that_are_not_public(address: str, public: bool) -> None:
    """The special-purpose ranges of RFC 6890 (loopback, private, link-local, shared), also in their IPv6 dress."""
    assert is_public(address) is public
