"""The settings of one subscription at an MQTT broker, and how a topic tells the battery. No connection is made here."""

import re
from collections.abc import Callable
from typing import Literal

from pydantic import Field, model_validator

from ingest.mqtt_door import MqttDoor


class MqttSettings(MqttDoor):
    """One subscription at one broker."""

    kind: Literal["mqtt"] = "mqtt"
    version: Literal["3.1.1", "5"] = "3.1.1"
    topic: str
    """`readings/{battery}`: the level `{battery}` is the battery's id; the wildcards + and # may stand at other levels."""
    format: str
    battery: str | None = None
    """Which battery it is where the topic does not tell. Neither: the payload must."""
    client_id: str = "restvolt"
    """Must stay the same from start to start, and no other client of the broker may use it: the session hangs on it."""
    session_days: int = Field(default=30, ge=1, le=365)
    """How long the broker keeps what comes while the service is away (version 5; brokers of 3.1.1 have a setting of their own)."""
    in_flight: int = Field(default=20, ge=1, le=65_535)
    """How many messages the broker sends before it waits for an acknowledgement (its own setting; 20 is common)."""
    quiet_after_s: float = Field(default=900.0, gt=0)

    @model_validator(mode="after")
    def _consistent(self) -> "MqttSettings":
        levels = self.topic.split("/")
        if self.topic.count("{battery}") > 1 or ("{battery}" in self.topic and "{battery}" not in levels):
            raise ValueError(f"topic = {self.topic!r}: expected {{battery}} once and as a whole level, such as readings/{{battery}}")
        if any(
            ("#" in level and (level != "#" or i < len(levels) - 1)) or ("+" in level and level != "+") for i, level in enumerate(levels)
        ):
            raise ValueError(f"topic = {self.topic!r}: + must be a whole level and # the last one")
        if "{battery}" in self.topic and self.battery is not None:
            raise ValueError("battery: the topic tells it already")
        return self

    @property
    def subscription(self) -> str:
        return self.topic.replace("{battery}", "+")


def battery_of(topic: str) -> Callable[[str], str | None]:
    """From a topic template, the function that finds the battery's id in a topic."""
    parts = []
    for level in topic.split("/"):
        parts.append({"{battery}": "(?P<battery>[^/]+)", "+": "[^/]*", "#": ".*"}.get(level, re.escape(level)))
    pattern = re.compile("/".join(parts).replace("/.*", "(?:/.*)?"))
    named = "{battery}" in topic

    def find(name: str) -> str | None:
        match = pattern.fullmatch(name) if named else None
        return match["battery"] if match else None

    return find
