"""The settings: one TOML file, then the environment (`RESTVOLT_…`), secrets from files. Each adapter's model stands beside the adapter.

Unknown keys are refused. A mistake stops the start with file, key, value and what was expected.
"""

from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from analytics.battery import Battery
from api.clock import BELIEVED_AFTER_S
from api.declaration import checked, read_toml
from api.heartbeat import HeartbeatSettings
from api.history.influx_settings import InfluxSettings
from api.mistakes import SettingsError, told
from api.people import PushSettings
from api.relay_link import RelaySettings
from api.upkeep import RetentionSettings
from api.web.settings import WebSettings
from ingest.amqp_settings import AmqpSettings
from ingest.file_source import FileSettings
from ingest.formats import FORMATS
from ingest.modbus_settings import ModbusSettings
from ingest.mqtt_source import MqttSettings
from ingest.pipeline import PipelineSettings
from ingest.serial_source import SerialSettings

SourceSettings = Annotated[SerialSettings | ModbusSettings | MqttSettings | FileSettings | AmqpSettings, Field(discriminator="kind")]


class ClockSettings(BaseModel):
    """How long to wait for a time service after boot before the machine's clock is believed as it is."""

    model_config = ConfigDict(extra="forbid")

    believed_after_s: float = Field(default=BELIEVED_AFTER_S, ge=0)


class Settings(BaseSettings):
    """The whole file. Paths in it are relative to its folder."""

    model_config = SettingsConfigDict(extra="forbid", env_prefix="RESTVOLT_", env_nested_delimiter="__")

    data: Path = Path("data")
    """Folder for the database and what belongs to it."""
    database_url: str | None = None
    """None: a SQLite file in `data`. Or postgresql+psycopg://…"""
    database_password_file: Path | None = None
    """A file that holds nothing but the database's password, so that it stands neither here nor in the environment."""
    keep: PipelineSettings = Field(default_factory=PipelineSettings)
    clock: ClockSettings = Field(default_factory=ClockSettings)
    web: WebSettings = Field(default_factory=WebSettings)
    push: PushSettings = Field(default_factory=PushSettings)
    retention: RetentionSettings = Field(default_factory=RetentionSettings)
    heartbeat: HeartbeatSettings | None = None
    relay: RelaySettings | None = None
    history: InfluxSettings | None = None
    """A second history in InfluxDB, which then answers for the time series. The database keeps it too, for as long as `retention` says."""
    shared: bool = False
    """Several processes write to this database: each battery is claimed by the one that its readings reach (DEVELOPERS.md)."""
    source: list[SourceSettings] = Field(default_factory=list)
    format: dict[str, Any] = Field(default_factory=dict)
    """Name → settings of one of FORMATS, with `decoder` saying which."""
    battery: list[Any] = Field(default_factory=list)

    @field_validator("format")
    @classmethod
    def _formats(cls, given: dict[str, Any]) -> dict[str, Any]:
        return {name: _format(name, dict(entry)) for name, entry in given.items()}

    @field_validator("battery")
    @classmethod
    def _batteries(cls, given: list[Any]) -> list[Battery]:
        found = [entry if isinstance(entry, Battery) else _battery(entry) for entry in given]
        ids = [b.id for b in found]
        doubled = sorted({i for i in ids if ids.count(i) > 1})
        if doubled:
            raise ValueError(f"the id {doubled[0]!r} is declared twice")
        return found

    @model_validator(mode="after")
    def _joined(self) -> "Settings":
        """What one part names must exist in another."""
        for name in sorted({s.format for s in self.source}):
            if name not in self.format:
                self.format[name] = _plain(name, self.format)
        ids = {b.id for b in self.battery}
        for s in self.source:
            battery = getattr(s, "battery", None)
            if battery is not None and battery not in ids:
                raise ValueError(f"source {s.kind}: battery = {battery!r}: expected the id of a declared [[battery]]")
        return self

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        return env_settings, init_settings

    @property
    def database_address(self) -> str:
        """Where the database is: a path to a SQLite file, or a URL."""
        if self.database_url is None:
            return str(self.data / "restvolt.db")
        if self.database_password_file is None:
            return self.database_url
        from sqlalchemy import make_url

        password = self.database_password_file.read_text(encoding="utf-8").strip()
        return make_url(self.database_url).set(password=password).render_as_string(hide_password=False)

    @property
    def batteries(self) -> list[Battery]:
        return self.battery


def _battery(entry: dict[str, Any]) -> Battery:
    try:
        return checked(entry)
    except ValidationError as e:
        raise ValueError("; ".join(told("", e, prefix=f"battery.{entry.get('id', '(without id)')}").lines)) from e


class FormatEntry(BaseModel):
    """A named format: which decoder, and its settings."""

    model_config = ConfigDict(arbitrary_types_allowed=True)

    decoder: str
    settings: Any


def _format(name: str, entry: dict[str, Any]) -> FormatEntry:
    decoder = entry.pop("decoder", name)
    if decoder not in FORMATS:
        raise ValueError(f"format.{name}.decoder = {decoder!r}: expected one of {', '.join(FORMATS)}")
    try:
        return FormatEntry(decoder=decoder, settings=FORMATS[decoder].settings.model_validate(entry))
    except ValidationError as e:
        raise ValueError("; ".join(told("", e, prefix=f"format.{name}").lines)) from e


def _plain(name: str, known: dict[str, Any]) -> FormatEntry:
    """A source may name a decoder that needs no map."""
    if name in FORMATS:
        try:
            return FormatEntry(decoder=name, settings=FORMATS[name].settings())
        except ValidationError:
            pass
    raise ValueError(f"source: format = {name!r}: expected one of the [format.…] of this file ({', '.join(known) or 'there is none'})")


def load(path: Path) -> Settings:
    """The settings of a file, checked. Raises SettingsError with a line for each mistake."""
    data = read_toml(path)
    try:
        settings = Settings(**data)
    except ValidationError as e:
        raise told(path, e, skip=("serial", "mqtt", "file", "modbus", "amqp")) from e
    except TypeError as e:
        raise SettingsError(path, [str(e)]) from e
    if not settings.data.is_absolute():
        settings.data = (path.parent / settings.data).resolve()
    return settings
