"""Settings of a Modbus RTU meter, apart from its source so that a van without one needs no pymodbus."""

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class ModbusSettings(BaseModel):
    """One meter."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["modbus"] = "modbus"
    port: str
    """A stable path, such as one under /dev/serial/by-id/."""
    format: str
    """The name of a format of decoder `modbus`: its map says which registers."""
    battery: str
    unit: int = Field(default=1, ge=1, le=247)
    """The meter's address on the line."""
    table: Literal["holding", "input"] = "holding"
    every_s: float = Field(default=1.0, ge=0.1, le=3600)
    timeout_s: float = Field(default=1.0, ge=0.05, le=60)
    baud: int = Field(default=9600, ge=300, le=1_000_000)
    byte_size: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    quiet_after_s: float = Field(default=60.0, gt=0)
