"""Messages of an MQTT broker (3.1.1 or 5): quality of service 1, a session that persists, acknowledged by hand after the commit.

The client runs in the event loop itself, without a thread of its own: nothing can die unseen. An unacknowledged message comes
again only after a reconnect [MQTT-4.4.0-1], so whatever goes wrong while one is taken ends the connection. An acknowledgement
belongs to the connection that the message came with; for any other it is not sent.
"""

import asyncio
import ssl
from collections.abc import AsyncGenerator, Sequence
from contextlib import suppress
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from ingest.clock import Clock
from ingest.mqtt_settings import MqttSettings, battery_of
from ingest.source import Delivery, SourceLost
from ingest.waiting import Waiting

__all__ = ["MqttSettings", "MqttSource", "battery_of"]

MOST_AT_ONCE = 500
"""Messages taken from the socket before others of the event loop have their turn."""
MOST_WAITING = 20_000
"""Messages that wait in memory; then the socket is not read, and the broker keeps the rest."""
ANSWER_S = 10.0
"""Judgement: a broker that has not answered in ten seconds will not."""


class MqttSource:
    """One subscription as a Source."""

    def __init__(self, settings: MqttSettings, clock: Clock, answer_s: float = ANSWER_S, *, lasting: bool = True) -> None:
        """`lasting`: the broker keeps what comes while the source is away. Without it nothing is left behind at the broker."""
        self._lasting = lasting
        self._answer_s = answer_s
        self.name = f"mqtt:{settings.host}:{settings.port}/{settings.topic}"
        self.in_flight: int | None = settings.in_flight
        self._settings, self._clock = settings, clock
        self._battery_of = battery_of(settings.topic)
        self._client: mqtt.Client | None = None
        self._waiting = Waiting()
        self._subscribed: asyncio.Future[None] | None = None
        self._connection = 0
        self._paused = False
        self._writing = False
        self._misc: asyncio.TimerHandle | None = None

    # --- life

    async def __aenter__(self) -> "MqttSource":
        s = self._settings
        self._connection += 1
        self._waiting, self._paused, self._writing = Waiting(), False, False
        loop = asyncio.get_running_loop()
        self._subscribed = loop.create_future()
        client = self._client = self.client(clean=not self._lasting)
        try:
            await asyncio.to_thread(client.connect, s.host, s.port, s.keep_alive_s, **self._connect_options())
        except (OSError, ValueError, mqtt.WebsocketConnectionError) as e:
            raise SourceLost(f"the broker {s.host}:{s.port} cannot be reached: {e}") from e
        sock: Any = client.socket()
        if sock is None:
            raise SourceLost(f"the broker {s.host}:{s.port} closed the connection at once")
        client.on_socket_close = lambda _client, _userdata, closing: self._unwatch(closing)
        client.on_socket_register_write = self._to_write
        loop.add_reader(sock, self._readable)
        self._misc = loop.call_later(1.0, self._look)
        try:
            async with asyncio.timeout(self._answer_s):
                await self._subscribed
        except TimeoutError:
            await self.__aexit__()
            raise SourceLost(f"the broker {s.host}:{s.port} does not answer") from None
        except SourceLost:
            await self.__aexit__()
            raise
        return self

    async def __aexit__(self, *exc: object) -> None:
        client, self._client = self._client, None
        if self._misc is not None:
            self._misc.cancel()
        if client is None:
            return
        sock = client.socket()
        with suppress(Exception):
            client.on_socket_register_write = None
            client.disconnect()
            client.loop_write()
        if sock is not None:
            self._unwatch(sock)
            with suppress(OSError):
                sock.close()

    def client(self, *, clean: bool = False) -> mqtt.Client:
        """A client, all callbacks set before it connects."""
        s = self._settings
        protocol = mqtt.MQTTv5 if s.version == "5" else mqtt.MQTTv311
        session = None if s.version == "5" else clean
        client = mqtt.Client(CallbackAPIVersion.VERSION2, s.client_id, clean_session=session, protocol=protocol, manual_ack=True)
        client.connect_timeout = self._answer_s
        client.on_message = self._message
        client.on_connect = self._connected
        client.on_subscribe = self._answered
        client.on_disconnect = self._disconnected
        try:
            s.let_in(client, _ClosingSocket)
        except (OSError, ValueError) as e:
            raise SourceLost(f"a file with the broker's password or certificate cannot be used: {e}") from e
        return client

    def _connect_options(self) -> dict[str, Any]:
        if self._settings.version != "5":
            return {}
        if not self._lasting:
            return {"clean_start": True}
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = self._settings.session_days * 86_400
        return {"clean_start": False, "properties": properties}

    # --- what the client calls, in the event loop

    def _connected(self, client: mqtt.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._lose(f"the broker {self._settings.host}:{self._settings.port} refuses: {reason}")
            return
        if self._settings.version == "5":
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe(self._settings.subscription, options=options)
        else:
            client.subscribe(self._settings.subscription, 1)

    def _answered(self, _client: mqtt.Client, _userdata: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        if any(reason.is_failure for reason in reasons):
            self._lose(f"the broker {self._settings.host}:{self._settings.port} does not allow the topic {self._settings.subscription}")
        elif self._subscribed is not None and not self._subscribed.done():
            self._subscribed.set_result(None)

    def _disconnected(self, _client: mqtt.Client, _userdata: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._lose(f"the broker {self._settings.host}:{self._settings.port} is gone: {reason}")

    def _message(self, _client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        s, clock = self._settings, self._clock
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(a topic that is no text)"
        token = (self._connection, message.mid) if message.qos else None
        self._waiting.put(
            Delivery(
                f"mqtt:{topic}", s.battery or self._battery_of(topic), s.format, bytes(message.payload),
                clock.wall_ms(), clock.monotonic_ms(), True, message.retain, token,
            )
        )  # fmt: skip

    # --- the socket

    def _readable(self) -> None:
        client, waiting = self._client, self._waiting.deliveries
        if client is None:
            return
        try:
            for _ in range(MOST_AT_ONCE):
                before = len(waiting)
                code = client.loop_read()
                if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
                    self._lose(f"the broker {self._settings.host}:{self._settings.port} is gone: {mqtt.error_string(code)}")
                    break
                if len(waiting) == before and not _decrypted(client.socket()):
                    break
        except Exception as e:  # whatever it was: the message is not acknowledged and comes again on the next connection
            self._lose(f"a message could not be taken: {type(e).__name__}: {e}")
        if len(waiting) >= MOST_WAITING and not self._paused and (sock := client.socket()) is not None:
            self._paused = True
            asyncio.get_running_loop().remove_reader(sock)

    def _to_write(self, _client: mqtt.Client, _userdata: Any, _sock: Any) -> None:
        """Several acknowledgements in a row are written in one go."""
        if not self._writing:
            self._writing = True
            asyncio.get_running_loop().call_soon(self._write)

    def _write(self) -> None:
        self._writing = False
        client = self._client
        if client is None or client.socket() is None:
            return
        try:
            client.loop_write()
        except Exception as e:  # as above
            self._lose(f"nothing can be sent to the broker: {type(e).__name__}: {e}")
            return
        loop, sock = asyncio.get_running_loop(), client.socket()
        if sock is not None:
            if client.want_write():
                loop.add_writer(sock, self._write)
            else:
                loop.remove_writer(sock)

    def _look(self) -> None:
        """Once a second: keep-alive, and whether the broker still answers."""
        client = self._client
        if client is None or self._waiting.lost is not None:
            return
        try:
            code = client.loop_misc()
        except Exception as e:  # as above
            self._lose(f"the broker cannot be asked whether it is there: {type(e).__name__}: {e}")
            return
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._lose(f"the broker {self._settings.host}:{self._settings.port} does not answer any more")
            return
        self._misc = asyncio.get_running_loop().call_later(1.0, self._look)

    def _unwatch(self, sock: Any) -> None:
        loop = asyncio.get_running_loop()
        with suppress(ValueError, OSError):
            loop.remove_reader(sock)
            loop.remove_writer(sock)

    def _lose(self, why: str) -> None:
        self._waiting.lose(why)
        if self._subscribed is not None and not self._subscribed.done():
            self._subscribed.set_exception(SourceLost(why))

    # --- what the loop calls

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        while True:
            taken = await self._waiting.taken()
            if self._paused and self._client is not None and (sock := self._client.socket()) is not None:
                self._paused = False
                asyncio.get_running_loop().add_reader(sock, self._readable)
            yield taken

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """Acknowledge what came with this connection; the broker sends the rest again anyway."""
        client = self._client
        if client is None or self._waiting.lost is not None:
            return
        for delivery in deliveries:
            token = delivery.token
            if token is not None and token[0] == self._connection:  # type: ignore[index]
                client.ack(token[1], 1)  # type: ignore[index]


class _ClosingSocket(ssl.SSLSocket):
    """The client library forgets a socket whose handshake failed; this one closes itself."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def _decrypted(sock: Any) -> int:
    """Bytes that TLS has decrypted and that no event will announce."""
    return sock.pending() if isinstance(sock, ssl.SSLSocket) else 0
