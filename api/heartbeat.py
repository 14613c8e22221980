"""The dead man's handle: while all is well, an outside address is called again and again. When the calls stop, it raises the alarm.

The outside service is the owner's choice; a plain GET is all it gets. Nothing is called while the service itself is not well.
"""

import threading
import urllib.error
import urllib.request
from collections.abc import Callable
from contextlib import nullcontext
from typing import Annotated, Any
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, SecretStr, field_validator

from api.ports import PushFailed, PushRefused
from api.push.guard import check_host, outward

TIMEOUT_S = 20.0


class HeartbeatSettings(BaseModel):
    """Where to call and how often. The address often is a secret of its own."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    url: SecretStr
    every_s: Annotated[float, Field(ge=10, le=86_400)] = 300.0
    allow_private_addresses: bool = False

    @field_validator("url")
    @classmethod
    def _web(cls, value: SecretStr) -> SecretStr:
        parts = urlsplit(value.get_secret_value())
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError("expected an address that begins with https://")
        return value


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *args: Any, **more: Any) -> None:
        """A redirect could lead inside."""


class Heartbeat:
    """`well`: whether the service is. `say` hears of trouble once, and once when it is over."""

    def __init__(self, settings: HeartbeatSettings, well: Callable[[], bool], say: Callable[[str], None] = lambda text: None) -> None:
        self._settings, self._well, self._say = settings, well, say
        self._stopping, self._failing = threading.Event(), False
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(TIMEOUT_S)

    def beat(self) -> str | None:
        """Call once if all is well; None if the call went through, otherwise why not, without the address."""
        if not self._well():
            return "the service is not well, so it stays silent"
        url = self._settings.url.get_secret_value()
        parts = urlsplit(url)
        try:
            private = self._settings.allow_private_addresses
            if not private:
                check_host(parts.hostname or "", parts.port)
            opener = urllib.request.build_opener(_NoRedirect, urllib.request.ProxyHandler())
            call = urllib.request.Request(url, headers={"user-agent": "restvolt"})  # noqa: S310 - scheme checked in the settings
            with nullcontext() if private else outward(), opener.open(call, timeout=TIMEOUT_S):
                return None
        except urllib.error.HTTPError as e:
            e.close()
            return f"it answered with HTTP status {e.code}"
        except (PushRefused, PushFailed) as e:
            return str(e)
        except (OSError, ValueError) as e:
            return f"it could not be reached ({type(e).__name__})"

    def _run(self) -> None:
        while not self._stopping.is_set():
            why = self.beat()
            if why is not None and not self._failing:
                self._say(f"The heartbeat did not go out: {why}.")
            elif why is None and self._failing:
                self._say("The heartbeat goes out again.")
            self._failing = why is not None
            self._stopping.wait(self._settings.every_s)
