"""Stored vehicles that publish their readings over MQTT, as JSON or as SenML. QoS 1, one topic a battery: `readings/<battery>`.

JSON, our own:  {"time": "2026-11-25T14:00:00.000Z", "volts": 12.62, "amps": -0.034, "celsius": 8.5, "n": 1234}
SenML, RFC 8428: a pack with base name `<battery>/`, base time, and records `voltage` (V), `current` (A), `temperature` (Cel).

Amperes are positive into the battery. A gateway that publishes faster than the broker acknowledges waits; nothing is queued without end.
"""

import json
import threading
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from simulators.sensor import Sample
from simulators.story import rfc3339

MOST_IN_FLIGHT = 100


def topic(battery_id: str) -> str:
    return f"readings/{battery_id}"


def as_json(at_s: float, sample: Sample, sequence: int) -> bytes:
    values: dict[str, Any] = {"time": rfc3339(at_s), "volts": round(sample.voltage_v, 3)}
    if sample.current_a is not None:
        values["amps"] = round(sample.current_a, 3)
    if sample.temperature_c is not None:
        values["celsius"] = round(sample.temperature_c, 1)
    if sample.charge_ah is not None:
        values["amp_hours"] = round(sample.charge_ah, 3)
    return json.dumps({**values, "n": sequence}).encode()


def as_senml(battery_id: str, at_s: float, sample: Sample) -> bytes:
    records: list[dict[str, Any]] = [
        {"bn": f"{battery_id}/", "bt": round(at_s, 3), "n": "voltage", "u": "V", "v": round(sample.voltage_v, 3)},
    ]
    if sample.current_a is not None:
        records.append({"n": "current", "u": "A", "v": round(sample.current_a, 3)})
    if sample.temperature_c is not None:
        records.append({"n": "temperature", "u": "Cel", "v": round(sample.temperature_c, 1)})
    return json.dumps(records).encode()


class Gateway:
    """A connection to a broker. Publishes only after CONNACK; after a lost link the library connects again and repeats."""

    def __init__(self, host: str, port: int, client_id: str, *, user: str | None = None, password: str | None = None) -> None:
        self._connected = threading.Event()
        self._room = threading.Semaphore(MOST_IN_FLIGHT)
        self.acknowledged = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv311)
        if user is not None:
            self._client.username_pw_set(user, password)
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish
        self._client.reconnect_delay_set(1, 5)
        self._client.connect(host, port, keepalive=30)
        self._client.loop_start()
        if not self._connected.wait(10):
            self.close()
            raise ConnectionError(f"no answer from the broker at {host}:{port} within 10 s")

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if not reason.is_failure:
            self._connected.set()

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: Any, properties: Any) -> None:
        self.acknowledged += 1
        self._room.release()

    def publish(self, topic_name: str, payload: bytes, wait_s: float = 30.0) -> None:
        """Hand one message over; waits while too many are unacknowledged. A TimeoutError: the broker has stopped taking them."""
        if not self._room.acquire(timeout=wait_s):
            raise TimeoutError("the broker acknowledges nothing any more")
        self._client.publish(topic_name, payload, qos=1)

    def finish(self, wait_s: float = 10.0) -> bool:
        """Wait until everything is acknowledged."""
        taken = 0
        for _ in range(MOST_IN_FLIGHT):
            if not self._room.acquire(timeout=wait_s):
                break
            taken += 1
        self._room.release(taken)
        return taken == MOST_IN_FLIGHT

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
