"""Every sensor format: its settings and how a decoder is made of them. A new format is a file here and a line in FORMATS."""

from collections.abc import Callable
from typing import Any, NamedTuple

from pydantic import BaseModel

from ingest.decoder import Decoder
from ingest.formats.delimited import Delimited, delimited_decoder
from ingest.formats.json_fields import JsonFields, json_decoder
from ingest.formats.modbus_registers import ModbusRegisters, modbus_decoder
from ingest.formats.nmea_xdr import NmeaXdr, nmea_decoder
from ingest.formats.senml import Senml, senml_cbor_decoder, senml_decoder


class Format(NamedTuple):
    settings: type[BaseModel]
    decoder: Callable[[Any, str | None], Decoder]
    """Settings and battery id → a fresh decoder; battery None where the payload tells it."""


FORMATS: dict[str, Format] = {
    "delimited": Format(Delimited, delimited_decoder),
    "json": Format(JsonFields, json_decoder),
    "senml": Format(Senml, senml_decoder),
    "senml-cbor": Format(Senml, senml_cbor_decoder),
    "nmea-xdr": Format(NmeaXdr, nmea_decoder),
    "modbus": Format(ModbusRegisters, modbus_decoder),
}
