"""Ways to reach a person. One table; an address whose scheme is not in it is one of Apprise's."""

import sys
from collections.abc import Callable
from typing import TextIO

from api.people import PAGE, PushSettings
from api.ports import Channel
from api.push.addresses import addresses_in
from api.push.apprise_channel import AppriseChannel
from api.push.guard import BadAddress
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


def channels_of(settings: PushSettings, stream: TextIO | None = None) -> dict[str, Channel]:
    """Every address of every person, by name `person/number`. Raises BadAddress with the person's name, never the address."""
    channels: dict[str, Channel] = {}
    for person in settings.people:
        addresses = [url.get_secret_value() for url in person.urls]
        if person.urls_file is not None:
            addresses += addresses_in(person.urls_file)
        for number, address in enumerate(addresses, start=1):
            if address.strip() == PAGE:
                continue
            name = f"{person.name}/{number}"
            try:
                channels[name] = open_channel(name, address, stream or sys.stdout, allow_private=settings.allow_private_addresses)
            except BadAddress as e:
                raise BadAddress(f"people.{person.name}, address {number}: {e}") from e
    return channels
