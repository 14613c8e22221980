"""Ways to reach a person. One table; an address whose scheme is not in it is one of Apprise's."""

from collections.abc import Callable
from typing import TextIO

from api.ports import Channel
from api.push.apprise_channel import AppriseChannel
from api.push.terminal_channel import TerminalChannel
from api.push.web_push_channel import WebPushChannel

Opener = Callable[[str, str, TextIO, bool], Channel]
"""(name, address, where the terminal is, whether private addresses are allowed) -> Channel. Raises BadAddress."""

CHANNELS: dict[str, Opener] = {
    "terminal": lambda name, address, stream, allow_private: TerminalChannel(name, stream),
    "webpush": lambda name, address, stream, allow_private: WebPushChannel(name, address, allow_private=allow_private),
    "apprise": lambda name, address, stream, allow_private: AppriseChannel(name, address, allow_private=allow_private),
}


def open_channel(name: str, address: str, stream: TextIO, *, allow_private: bool = False) -> Channel:
    """The channel for an address, by its scheme. Raises api.push.guard.BadAddress; its text holds no secret."""
    scheme = address.partition(":")[0].strip().lower()
    return CHANNELS.get(scheme, CHANNELS["apprise"])(name, address.strip(), stream, allow_private)
