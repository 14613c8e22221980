"""Hears what a source would bring, for `restvolt listen`: shows it line by line and gives the sample for a proposal.

At a broker it is another client with a session that leaves nothing behind, so the running service loses no message by it. A serial
line has one reader only: stop the service before you listen to its line.
"""

import asyncio
import secrets
from collections.abc import Callable
from contextlib import aclosing

from ingest.clock import Clock
from ingest.file_source import FileSettings, FileSource
from ingest.listen import cut, shown
from ingest.mqtt_source import MqttSettings, MqttSource
from ingest.serial_source import SerialSettings, SerialSource
from ingest.source import Delivery, Source

MOST_HELD = 1_000_000
"""Bytes of a sample; more tell no more."""


def ear(settings: SerialSettings | MqttSettings | FileSettings, clock: Clock) -> Source:
    """A source for listening only."""
    if isinstance(settings, MqttSettings):
        stranger = settings.model_copy(update={"client_id": f"restvolt-listen-{secrets.token_hex(4)}"})
        return MqttSource(stranger, clock, lasting=False)
    if isinstance(settings, SerialSettings):
        return SerialSource(settings.model_copy(update={"skip_first_line": False}), clock)
    return FileSource(settings, clock)


async def hear(
    settings: SerialSettings | MqttSettings | FileSettings, clock: Clock, say: Callable[[str], None], most: int = 50, seconds: float = 30.0
) -> list[bytes]:
    """Say what arrives until `most` messages or lines have come or the time is over; give them as a sample. Raises SourceLost."""
    messages: list[bytes] = []
    stream = b""
    source = ear(settings, clock)
    try:
        async with asyncio.timeout(seconds), source, aclosing(source.deliveries()) as arriving:
            async for deliveries in arriving:
                for delivery in deliveries:
                    if delivery.whole:
                        messages.append(delivery.payload)
                        say(_told(delivery))
                    else:
                        stream = _streamed(stream, delivery.payload, say)
                source.acknowledge(deliveries)
                if len(messages) + stream.count(b"\n") >= most or len(stream) >= MOST_HELD:
                    break
    except TimeoutError:
        pass
    if isinstance(settings, FileSettings):
        stream = b"\n" + stream + b"\n"  # a file has no halves at its ends
    return messages[:most] or cut(stream)


def _told(delivery: Delivery) -> str:
    retained = " (retained: what the broker replays is no reading)" if delivery.retained else ""
    return f"{delivery.source}{retained}: {shown(delivery.payload)}"


def _streamed(stream: bytes, piece: bytes, say: Callable[[str], None]) -> bytes:
    """Say the lines that this piece completes; pieces without line ends are said as they are, so that a wrong baud rate shows."""
    piece = piece.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    before, found, _ = (stream + piece).rpartition(b"\n")
    begun = stream.rpartition(b"\n")[0]
    lines = (
        before[len(begun) :].split(b"\n")
        if found and len(before) > len(begun)
        else [piece]
        if b"\n" not in piece and len(piece) > 200
        else []
    )
    for line in lines:
        if line.strip():
            say(shown(line))
    return stream + piece
