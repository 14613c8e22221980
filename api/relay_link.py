"""One connection of the relay to the fleet's broker: it publishes only after CONNACK and knows what has been acknowledged.

It keeps nothing over its end. A lost connection is thrown away and a new one made, so that the library's own queue can never send
what the cursor sends again in another order. What was unacknowledged is the cursor's business.
"""

import threading
import time
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import Field, field_validator

from analytics.battery import checked_battery_id
from ingest.mqtt_door import MqttDoor

ANSWER_S = 15.0
"""Judgement: a broker over a poor mobile link answers within fifteen seconds or not at all."""
NOBODY = 0x10
"""MQTT 5: no matching subscribers. The broker has taken the message and thrown it away."""


class LinkLost(ConnectionError):  # noqa: N818 - named for what happened
    """The connection is gone or useless; the text says why, without secrets."""


class RelaySettings(MqttDoor):
    """Where a van's readings go."""

    port: int = Field(default=8883, ge=1, le=65_535)
    version: Literal["5", "3.1.1"] = "5"
    """Version 5 tells when a message was refused or reached nobody; 3.1.1 cannot: there it is acknowledged and gone."""
    client_id: str
    """The van's own, no two the same: a broker ends the older connection of the same name."""
    topic: str = "readings/{battery}"
    batteries: dict[str, str] = Field(default_factory=dict)
    """The van's id → the fleet's id, where they differ."""
    only: tuple[str, ...] = ()
    """Forward only these batteries (the van's ids); none named: all."""
    tls: bool = True
    most_bytes_per_s: int = Field(default=16_000, ge=100, le=100_000_000)
    """Payload, at most, on average. Judgement: 16 kB/s leave a poor mobile link usable; a month of minutes is through in five minutes."""
    every_s: float = Field(default=5.0, ge=0.05, le=3600)
    """How often new readings are looked for."""

    @field_validator("topic")
    @classmethod
    def _topic(cls, topic: str) -> str:
        if topic.split("/").count("{battery}") != 1 or "+" in topic or "#" in topic:
            raise ValueError(
                f"topic = {topic!r}: expected {{battery}} once and as a whole level, no wildcards, such as readings/{{battery}}"
            )
        return topic

    @field_validator("batteries")
    @classmethod
    def _names(cls, batteries: dict[str, str]) -> dict[str, str]:
        for name in batteries.values():
            checked_battery_id(name)
        return batteries

    def topic_of(self, battery_id: str) -> str:
        return self.topic.replace("{battery}", self.batteries.get(battery_id, battery_id))


class Link:
    """A context. `publish` hands messages over, `settle` waits until all are acknowledged."""

    def __init__(self, settings: RelaySettings) -> None:
        self._settings = settings
        self._changed = threading.Condition()
        self._waiting: set[int] = set()
        self._early: set[int] = set()
        self._connected = False
        self._why: str | None = None
        self._where = f"{settings.host}:{settings.port}"
        self._client = self._made()

    def __enter__(self) -> "Link":
        s = self._settings
        try:
            self._client.connect(s.host, s.port, s.keep_alive_s)
        except (OSError, ValueError) as e:
            raise LinkLost(f"the fleet's broker {self._where} cannot be reached: {e}") from e
        self._client.loop_start()
        with self._changed:
            self._changed.wait_for(lambda: self._connected or self._why is not None, ANSWER_S)
            connected, why = self._connected, self._why or f"the fleet's broker {self._where} does not answer"
        if not connected:
            self._client.disconnect()
            self._end()  # never under the lock: the library's thread takes it on its way out
            raise LinkLost(why)
        return self

    def __exit__(self, *exc: object) -> None:
        self._client.disconnect()
        self._end()

    def _end(self) -> None:
        self._client.loop_stop()

    def check(self) -> None:
        """Raises LinkLost where the connection has ended."""
        with self._changed:
            if self._why is not None:
                raise LinkLost(self._why)

    def publish(self, topic: str, payload: bytes) -> None:
        self.check()
        info = self._client.publish(topic, payload, qos=1)
        if info.rc != mqtt.MQTT_ERR_SUCCESS:
            raise LinkLost(f"the fleet's broker {self._where} is gone: {mqtt.error_string(info.rc)}")
        with self._changed:
            if info.mid in self._early:
                self._early.remove(info.mid)
            else:
                self._waiting.add(info.mid)

    def settle(self, stop: threading.Event, wait_s: float) -> bool:
        """Wait until every message is acknowledged. False: asked to stop before that. Raises LinkLost."""
        end = time.monotonic() + wait_s
        with self._changed:
            while self._waiting:
                if self._why is not None:
                    raise LinkLost(self._why)
                if stop.is_set():
                    return False
                if time.monotonic() > end:
                    raise LinkLost(f"the fleet's broker {self._where} acknowledges nothing any more")
                self._changed.wait(0.1)
            if self._why is not None:
                raise LinkLost(self._why)
        return True

    def _made(self) -> mqtt.Client:
        s = self._settings
        protocol = mqtt.MQTTv5 if s.version == "5" else mqtt.MQTTv311
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, s.client_id, clean_session=None if s.version == "5" else True, protocol=protocol,
            reconnect_on_failure=False,
        )  # fmt: skip
        client.connect_timeout = ANSWER_S
        client.on_connect, client.on_publish, client.on_disconnect = self._on_connect, self._on_publish, self._on_disconnect
        try:
            s.let_in(client)
        except (OSError, ValueError) as e:
            raise LinkLost(f"a file with the password or certificate for {self._where} cannot be used: {e}") from e
        return client

    # --- called in the library's thread: they only note what happened and can raise nothing

    def _on_connect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._changed:
            if reason.is_failure:
                self._why = f"the fleet's broker {self._where} refuses: {reason}"
            else:
                self._connected = True
            self._changed.notify_all()

    def _on_publish(self, _client: Any, _userdata: Any, mid: int, reason: Any, _properties: Any) -> None:
        with self._changed:
            if reason.is_failure:
                self._why = f"the fleet's broker {self._where} does not take this battery's topic: {reason}"
            elif reason.value == NOBODY:
                self._why = f"nobody listens at the fleet's broker {self._where} yet; the readings wait here"
            elif mid in self._waiting:
                self._waiting.remove(mid)
            else:
                self._early.add(mid)
            self._changed.notify_all()

    def _on_disconnect(self, _client: Any, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._changed:
            self._why = self._why or f"the fleet's broker {self._where} is gone: {reason}"
            self._changed.notify_all()
