"""Gateways of a fleet as one process: each connects as its own user, publishes its batteries' readings at QoS 1, and goes on at another node.

`python -m tests.fleet.gateways PLAN.json`; prints one line of JSON when all is acknowledged. It publishes only while connected.
"""

import json
import sys
import threading
import time
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

MOST_IN_FLIGHT = 100


class Gateway:
    """One connection. The library repeats what was not acknowledged after it has connected again, wherever that is."""

    def __init__(self, name: str, password: str, nodes: list[int], turn: int) -> None:
        self._nodes, self._turn = nodes, turn
        self._connected, self._room = threading.Event(), threading.Semaphore(MOST_IN_FLIGHT)
        self.acknowledged = self.links = 0
        self.longest_s = 0.0
        self._since: dict[int, float] = {}
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv311, clean_session=True)
        self._client.username_pw_set(name, password)
        self._client.max_inflight_messages_set(MOST_IN_FLIGHT)
        self._client.reconnect_delay_set(1, 2)
        self._client.on_connect, self._client.on_disconnect, self._client.on_publish = (
            self._on_connect,
            self._on_disconnect,
            self._on_publish,
        )
        self._client.connect("127.0.0.1", nodes[turn % len(nodes)], keepalive=10)
        self._client.loop_start()
        self._connected.wait(30)

    def _on_connect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        if not reason.is_failure:
            self.links += 1
            self._connected.set()

    def _on_disconnect(self, client: mqtt.Client, data: Any, flags: Any, reason: Any, properties: Any) -> None:
        self._connected.clear()
        self._turn += 1
        client._port = self._nodes[self._turn % len(self._nodes)]

    def _on_publish(self, client: mqtt.Client, data: Any, mid: int, reason: Any, properties: Any) -> None:
        self.acknowledged += 1
        self.longest_s = max(self.longest_s, time.monotonic() - self._since.pop(mid, time.monotonic()))
        self._room.release()

    def publish(self, topic: str, payload: bytes) -> None:
        if not self._room.acquire(timeout=120):
            raise TimeoutError("the broker acknowledges nothing any more")
        if not self._connected.wait(120):
            raise TimeoutError("no node lets the gateway in")
        info = self._client.publish(topic, payload, qos=1)
        self._since.setdefault(info.mid, time.monotonic())

    def finish(self, seconds: float) -> bool:
        """Until all is acknowledged."""
        deadline = time.monotonic() + seconds
        return all(self._room.acquire(timeout=max(0.0, deadline - time.monotonic())) for _ in range(MOST_IN_FLIGHT))

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def publish(plan: dict[str, Any]) -> dict[str, Any]:
    """`plan`: nodes (MQTT ports), password, gateways (name → its batteries), rate, readings (a file of [battery, payload] lines)."""
    gateways = {name: Gateway(name, plan["password"], plan["nodes"], turn) for turn, name in enumerate(plan["gateways"])}
    of_battery = {battery: gateways[name] for name, batteries in plan["gateways"].items() for battery in batteries}
    began, sent = time.monotonic(), 0
    try:
        with Path(plan["readings"]).open() as lines:
            for line in lines:
                battery, payload = json.loads(line)
                of_battery[battery].publish(f"readings/{battery}", payload.encode())
                sent += 1
                ahead = sent / plan["rate"] - (time.monotonic() - began)
                if ahead > 0.01:
                    time.sleep(ahead)
        seconds = time.monotonic() - began
        complete = sum(gateway.finish(60) for gateway in gateways.values()) == len(gateways)
    finally:
        for gateway in gateways.values():
            gateway.close()
    return {
        "sent": sent, "acknowledged": sum(g.acknowledged for g in gateways.values()), "complete": complete, "seconds": round(seconds, 1),
        "links": sum(g.links for g in gateways.values()), "longest_s": round(max(g.longest_s for g in gateways.values()), 2),
    }  # fmt: skip


if __name__ == "__main__":
    sys.stdout.write(json.dumps(publish(json.loads(Path(sys.argv[1]).read_text()))) + "\n")
