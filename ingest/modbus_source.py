"""A Modbus RTU meter on a serial line, asked for its registers at an interval. Needs the extra `modbus` (pymodbus).

The registers asked for are those of the format's map, in one request; the words go on as a frame of
format `modbus` (ingest.formats.modbus_registers). A meter that does not answer is a lost source, and is asked again.
"""

import asyncio
from collections.abc import AsyncGenerator, Sequence

from pymodbus.client import AsyncModbusSerialClient
from pymodbus.exceptions import ModbusException

from ingest.clock import Clock
from ingest.formats.modbus_registers import MOST_WORDS, ModbusRegisters, frame_of
from ingest.modbus_settings import ModbusSettings
from ingest.source import Delivery, SourceLost


class ModbusSource:
    """One meter as a Source."""

    in_flight: int | None = None

    def __init__(self, settings: ModbusSettings, registers: ModbusRegisters, clock: Clock) -> None:
        """Raises ValueError if the registers of the map lie too far apart for one request."""
        self.name = f"modbus:{settings.port}#{settings.unit}"
        self._settings, self._clock = settings, clock
        self._first = min(r.field for r in registers.registers())
        self._count = max(r.field + r.words for r in registers.registers()) - self._first
        if self._count > MOST_WORDS:
            raise ValueError(
                f"format {settings.format}: its registers span {self._count} words, expected at most {MOST_WORDS} (one request)"
            )
        self._client: AsyncModbusSerialClient | None = None

    async def __aenter__(self) -> "ModbusSource":
        s = self._settings
        client = AsyncModbusSerialClient(
            s.port,
            baudrate=s.baud,
            bytesize=s.byte_size,
            parity=s.parity[0].upper(),
            stopbits=s.stop_bits,
            timeout=s.timeout_s,
            retries=1,
            reconnect_delay=0,
        )
        if not await client.connect():
            client.close()
            raise SourceLost(f"the serial line {s.port} cannot be opened")
        self._client = client
        return self

    async def __aexit__(self, *exc: object) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    async def deliveries(self) -> AsyncGenerator[Sequence[Delivery], None]:
        s, clock = self._settings, self._clock
        loop = asyncio.get_running_loop()
        due = loop.time()
        while True:
            words = await self._asked()
            yield [Delivery(self.name, s.battery, s.format, frame_of(self._first, words), clock.wall_ms(), clock.monotonic_ms())]
            due = max(due + s.every_s, loop.time())
            await asyncio.sleep(due - loop.time())

    def acknowledge(self, deliveries: Sequence[Delivery]) -> None:
        """A meter only knows now."""

    async def _asked(self) -> list[int]:
        client, s = self._client, self._settings
        assert client is not None
        ask = client.read_holding_registers if s.table == "holding" else client.read_input_registers
        try:
            reply = await ask(self._first, count=self._count, device_id=s.unit)
        except ModbusException as e:
            raise SourceLost(f"the meter {s.unit} on {s.port} does not answer: {e}") from e
        if reply.isError():
            raise SourceLost(f"the meter {s.unit} on {s.port} refuses registers {self._first} to {self._first + self._count - 1}: {reply}")
        return list(reply.registers)
