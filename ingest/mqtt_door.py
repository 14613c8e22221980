"""How a client is let in at an MQTT broker: where it is, who comes, and how both know that it is the other. No connection is made here."""

from pathlib import Path
from typing import TYPE_CHECKING, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

if TYPE_CHECKING:  # both are slow to import, and settings are read where nothing is connected
    import ssl

    import paho.mqtt.client as mqtt


class MqttDoor(BaseModel):
    """What every client's settings have in common."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str
    port: int = Field(default=1883, ge=1, le=65_535)
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None
    """None: the authorities that the system trusts."""
    certificate_file: Path | None = None
    key_file: Path | None = None
    keep_alive_s: int = Field(default=60, ge=5, le=65_535)

    @model_validator(mode="after")
    def _together(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file go together")
        if not self.tls and (self.ca_file or self.certificate_file):
            raise ValueError("tls = false: ca_file and certificate_file need tls = true")
        if self.password_file is not None and self.username is None:
            raise ValueError("password_file: expected a username too")
        return self

    def let_in(self, client: "mqtt.Client", socket_class: "type[ssl.SSLSocket] | None" = None) -> None:
        """Give the client its name, password and keys, read now. Raises OSError (ssl.SSLError is one) or ValueError for a file that is none."""
        if self.username is not None:
            client.username_pw_set(self.username, None if self.password_file is None else self.password_file.read_text().rstrip("\r\n"))
        if self.tls:
            import ssl

            context = ssl.create_default_context(cafile=None if self.ca_file is None else str(self.ca_file))
            if socket_class is not None:
                context.sslsocket_class = socket_class
            if self.certificate_file is not None:
                context.load_cert_chain(self.certificate_file, self.key_file)
            client.tls_set_context(context)
