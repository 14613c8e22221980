"""The channels of the people in the settings. Addresses from a file are read here, and a file that others can read is refused."""

import stat
from pathlib import Path
from typing import TextIO

from api.people import PushSettings
from api.ports import Channel
from api.push import open_channel
from api.push.guard import BadAddress


def open_channels(settings: PushSettings, stream: TextIO) -> dict[str, Channel]:
    """Every address of every person, by name `person/number`. Raises BadAddress with the person's name, never the address."""
    channels: dict[str, Channel] = {}
    for person in settings.people:
        addresses = [url.get_secret_value() for url in person.urls]
        if person.urls_file is not None:
            addresses += addresses_in(person.urls_file)
        for number, address in enumerate(addresses, start=1):
            name = f"{person.name}/{number}"
            try:
                channels[name] = open_channel(name, address, stream, allow_private=settings.allow_private_addresses)
            except BadAddress as e:
                raise BadAddress(f"people.{person.name}, address {number}: {e}") from e
    return channels


def addresses_in(path: Path) -> list[str]:
    """One address a line; empty lines and those that begin with # are left out. Raises BadAddress."""
    try:
        mode = path.stat().st_mode
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as e:
        raise BadAddress(f"{path}: expected a readable text file with one address a line ({type(e).__name__})") from e
    if mode & (stat.S_IWGRP | stat.S_IROTH | stat.S_IWOTH):
        raise BadAddress(f"{path}: others may read or change it; expected rights for its owner, at most its group reading (chmod 600)")
    lines = (line.strip() for line in text.splitlines())
    found = [line for line in lines if line and not line.startswith("#")]
    if not found:
        raise BadAddress(f"{path}: expected at least one address")
    return found
