"""Who can be told, and how, at this moment: the people of the settings with their addresses, and the browsers that subscribed.

A browser belongs to the person of the settings with that name, or to somebody of its own who is told of everything that their
token may see. It refuses to let a token of one fleet hear of another.
"""

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TextIO

from pydantic import SecretStr

from api.people import PAGE, Person, PushSettings
from api.ports import Reached, Subscription
from api.push import channels_of, open_channel
from api.push.guard import BadAddress
from api.push.subscriptions import Subscriptions

BROWSERS = "web-push"
"""The folder in the service's data for browsers that subscribed."""


class Reach:
    """Satisfies api.ports.Reach. Raises BadAddress for an address of the settings that no channel understands."""

    def __init__(self, settings: PushSettings, folder: Path, stream: TextIO | None = None) -> None:
        """`folder`: where browsers that subscribed are kept; made when the first one comes."""
        self._subscriptions = Subscriptions(folder, settings.contact, allow_private=settings.allow_private_addresses)
        self._settings = settings
        self._fixed = channels_of(settings, stream)
        self._seen: object = self
        self._reached = Reached(settings.people, self._fixed)

    def now(self) -> Reached:
        """The same object as long as nothing changed."""
        if (seen := self._subscriptions.changed()) != self._seen:
            self._seen, self._reached = seen, self._look()
        return self._reached

    def _look(self) -> Reached:
        people = {person.name: person for person in self._settings.people}
        channels = dict(self._fixed)
        for held in self._subscriptions.all():
            known = people.setdefault(held.person, visitor(held.person, held.fleet))
            if known.fleet is not None and known.fleet != held.fleet:
                continue
            name = f"{held.person}/{held.id}"
            try:
                address = self._subscriptions.address(held)
                channels[name] = open_channel(name, address, sys.stdout, allow_private=self._settings.allow_private_addresses)
            except BadAddress:
                continue  # it went while we looked
        return Reached(tuple(people.values()), channels)

    def why_not(self) -> str | None:
        return self._subscriptions.why_not()

    def public_key(self) -> str:
        return self._subscriptions.public_key()

    def subscriptions(self) -> list[Subscription]:
        return self._subscriptions.all()

    def unsubscribe(self, subscription_id: str) -> bool:
        return self._subscriptions.remove(subscription_id)

    def may_be(self, name: str, fleet: str | None, *, anybody: bool) -> Sequence[str]:
        """See api.ports.Reach."""
        name = name.replace("/", "-").strip()[:40] or "somebody"
        of_settings = [person.name for person in self._settings.people]
        if anybody and fleet is None:
            mine = [name] if name in of_settings else []
            return list(dict.fromkeys([*mine, *of_settings])) or [name]
        own = next((p.name for p in self._settings.people if p.name == name and p.fleet == fleet), None)
        taken = name in of_settings or fleet is not None
        return [own or (f"{name} ({fleet or 'own fleet'})" if taken else name)]

    def subscribe(self, person: str, fleet: str | None, device: str, endpoint: str, keys: dict[str, str], now_ms: int) -> Subscription:
        known = next((p for p in self._settings.people if p.name == person), None)
        return self._subscriptions.add(person, fleet if known is None else known.fleet, device, endpoint, keys, now_ms)


def visitor(name: str, fleet: str | None) -> Person:
    """Somebody who is not in the settings and subscribed on the page: told at once, of what their token may see."""
    return Person(name=name, urls=(SecretStr(PAGE),), fleet=fleet, digest_at=None)
