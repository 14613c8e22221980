"""Words of Modbus registers → Reading. A frame is first address, count and the words, each two bytes, high byte first.

The line protocol (addressing, checksum) is the source's; the frames that it makes are what this file reads.
"""

import struct
from typing import Literal

from pydantic import field_validator

from analytics.reading import Reading
from ingest.decoder import Decoder, Rejected
from ingest.formats.lines import rejected
from ingest.formats.quantities import FieldMap, Maker, Quantity

MOST_WORDS = 125
"""Registers in one reply (Modbus application protocol: a reply's byte count is at most 250)."""
Kind = Literal["int16", "uint16", "int32", "uint32", "float32"]
_CODES = {"int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f"}


class Register(Quantity):
    """`field` is the register's address as sent on the wire (counted from 0)."""

    field: int
    kind: Kind = "uint16"
    low_word_first: bool = False

    @field_validator("field")
    @classmethod
    def _address(cls, address: int) -> int:
        if not 0 <= address <= 65_535:
            raise ValueError("a register's address is 0 to 65535")
        return address

    @property
    def words(self) -> int:
        return 1 if self.kind.endswith("16") else 2


class ModbusRegisters(FieldMap):
    """Settings of format `modbus`."""

    voltage: Register
    current: Register | None = None
    temperature: Register | None = None
    charge: Register | None = None

    def registers(self) -> list[Register]:
        return [r for r in (self.voltage, self.current, self.temperature, self.charge) if r is not None]


def frame_of(first: int, words: list[int]) -> bytes:
    """The frame of a block of registers."""
    return struct.pack(f">HH{len(words)}H", first, len(words), *words)


class _Registers:
    __slots__ = ("_maker", "_settings", "_waiting")

    def __init__(self, settings: ModbusRegisters, battery_id: str | None) -> None:
        self._settings, self._maker = settings, Maker(settings, battery_id)
        self._waiting = b""

    def feed(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        waiting = self._waiting + data
        results: list[Reading | Rejected] = []
        at = 0
        while len(waiting) - at >= 4:
            count = int.from_bytes(waiting[at + 2 : at + 4], "big")
            if not 1 <= count <= MOST_WORDS:
                results.append(rejected("not a block of registers", waiting[at : at + 4]))
                at += 4
                continue
            end = at + 4 + 2 * count
            if len(waiting) < end:
                break
            results.append(self._reading(waiting[at:end], received_ms))
            at = end
        self._waiting = waiting[at:]
        return results

    def message(self, data: bytes, received_ms: int) -> list[Reading | Rejected]:
        """One block, whole: that is how the source delivers them."""
        if not data:
            return []
        if len(data) < 4 or len(data) != 4 + 2 * int.from_bytes(data[2:4], "big"):
            return [rejected("not a block of registers", data)]
        return [self._reading(data, received_ms)]

    def end(self, received_ms: int) -> list[Reading | Rejected]:
        rest, self._waiting = self._waiting, b""
        return [rejected("not a block of registers", rest)] if rest else []

    def _reading(self, frame: bytes, received_ms: int) -> Reading | Rejected:
        first = int.from_bytes(frame[:2], "big")
        row: dict[str | int, object] = {}
        for register in self._settings.registers():
            at = 4 + 2 * (register.field - first)
            piece = frame[at : at + 2 * register.words] if at >= 4 else b""
            if len(piece) != 2 * register.words:
                continue
            if register.low_word_first:
                piece = piece[2:] + piece[:2]
            row[register.field] = struct.unpack(">" + _CODES[register.kind], piece)[0]
        result = self._maker.reading(row.get, received_ms)
        return rejected(result, frame) if type(result) is str else result  # type: ignore[return-value]


def modbus_decoder(settings: ModbusRegisters, battery_id: str | None) -> Decoder:
    return _Registers(settings, battery_id)
