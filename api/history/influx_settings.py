"""Settings of a second history in InfluxDB. Its driver is not imported here: a van need not have it."""

from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field


class InfluxSettings(BaseModel):
    """`[history]`: where the time series is kept besides the ledger's database."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    url: str = Field(pattern=r"^https?://")
    org: str
    bucket: str = "readings"
    token_file: Path
    """A file that holds nothing but the token."""
    timeout_s: float = Field(default=10.0, gt=0, le=120)
    ca_file: Path | None = None
    """None: the authorities that the system trusts."""
    raw_days: int = Field(default=0, ge=0, le=36_500)
    """How long readings are kept one by one; their hours are kept for ever. 0: for ever."""

    @property
    def hours_bucket(self) -> str:
        return f"{self.bucket}_hours"
