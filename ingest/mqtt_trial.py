"""Asks a broker whether it would take us, without touching the session of the running service: another name, a clean session, no subscription."""

import asyncio
import secrets
from typing import Any

import paho.mqtt.client as mqtt

from ingest.clock import Clock
from ingest.mqtt_source import ANSWER_S, MqttSettings, MqttSource
from ingest.source import SourceLost


async def try_broker(settings: MqttSettings, clock: Clock) -> None:
    """Connect and leave. Raises SourceLost with the reason."""
    await asyncio.to_thread(_connect, settings.model_copy(update={"client_id": f"restvolt-check-{secrets.token_hex(4)}"}), clock)


def _connect(settings: MqttSettings, clock: Clock) -> None:
    client = MqttSource(settings, clock).client(clean=True)
    answered: list[Any] = []
    client.on_connect = lambda _c, _u, _f, reason, _p: answered.append(reason)
    client.on_message = client.on_subscribe = client.on_disconnect = None
    where = f"the broker {settings.host}:{settings.port}"
    try:
        client.connect(settings.host, settings.port, settings.keep_alive_s)
        turns = 0
        while not answered and turns < ANSWER_S * 10:
            turns += 1
            if client.loop(timeout=0.1) not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_AGAIN):
                break
        client.disconnect()
        client.loop(timeout=0.1)
    except (OSError, ValueError) as e:
        raise SourceLost(f"{where} cannot be reached: {e}") from e
    if not answered:
        raise SourceLost(f"{where} does not answer")
    if answered[0].is_failure:
        raise SourceLost(f"{where} refuses: {answered[0]}")
