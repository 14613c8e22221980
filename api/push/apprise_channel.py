"""Everything that Apprise reaches, by its URL: e-mail, webhooks, MQTT, messengers. Sends once, within its time-outs.

Apprise is imported when the first channel is made: it is heavy. Its errors are log lines that may hold addresses, so only
what is known to be harmless is taken from them: the HTTP status.
"""

import logging
import re
import threading
import warnings
from collections.abc import Callable
from contextlib import nullcontext
from types import ModuleType
from typing import Any

from api.ports import Message, PushFailed, PushRefused
from api.push.guard import BadAddress, check_host, outward

CONNECT_S, READ_S = 10.0, 20.0
"""Judgement: longer than a bad mobile link needs; both together stay far under the outbox's lease."""
TRY_AGAIN = frozenset({408, 409, 423, 425, 429})
"""4xx that pass by themselves (RFC 9110, RFC 6585, RFC 8470); any other 4xx is a refusal."""
_STATUS = re.compile(r"error=(\d{3})\b")


class AppriseChannel:
    """One URL. Raises BadAddress if Apprise knows no service for it."""

    def __init__(self, name: str, url: str, *, allow_private: bool = False, check: Callable[[str, int | None], None] = check_host) -> None:
        """`check` judges a host by its name, before anything is sent."""
        self.name, self._allow_private, self._check = name, allow_private, check
        self._apprise = _imported()
        asset = self._apprise.AppriseAsset(
            app_id="Restvolt", app_desc="Restvolt", app_url="", image_url_mask="", image_url_logo="", http_redirects=False,
            storage_mode=self._apprise.PersistentStoreMode.MEMORY, secure_logging=True, async_mode=False,
        )  # fmt: skip
        self._service = self._apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)
        if self._service is None:
            scheme = url.partition(":")[0][:20] if ":" in url else "nothing"
            raise BadAddress(f"an address that begins with {scheme}: expected one in the form of Apprise, such as mailtos://… or json://…")
        self._service.socket_connect_timeout, self._service.socket_read_timeout = CONNECT_S, READ_S

    def push(self, message: Message) -> None:
        if not self._allow_private:
            for host, port in _hosts(self._service):
                self._check(host, port)
        kind = {"high": "failure", "medium": "warning"}.get(message.priority, "info")
        with nullcontext() if self._allow_private else outward(), _Listening() as heard:
            sent = self._service.notify(body=message.text or message.title, title=message.title, notify_type=self._apprise.NotifyType(kind))
        if sent:
            return
        status = heard.status()
        if status is not None and 400 <= status < 500 and status not in TRY_AGAIN:
            raise PushRefused(f"the service refused it (HTTP status {status}): check the address and its credentials")
        raise PushFailed(
            "the service did not take it" + (f" (HTTP status {status})" if status is not None else " or did not answer in time")
        )


def _imported() -> ModuleType:
    with warnings.catch_warnings():  # its services are loaded now; some use parts of Python that are on their way out
        warnings.simplefilter("ignore", DeprecationWarning)
        import apprise

        apprise.Apprise.instantiate("json://localhost")
    logging.getLogger("apprise").propagate = False  # its lines may hold addresses; ours say what matters
    return apprise


def _hosts(service: Any) -> list[tuple[str, int | None]]:
    """The hosts that the owner of the URL chose; services with an address of their own have none."""
    hosts: list[tuple[str, int | None]] = []
    if "host" in type(service).template_tokens and service.host:
        hosts.append((service.host, service.port))
    if smtp := getattr(service, "smtp_host", None):
        hosts = [(smtp, service.port)]
    return hosts


class _Listening(logging.Handler):
    """Hears what Apprise logs in this thread, to learn the HTTP status and nothing else."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self._thread, self._lines = threading.get_ident(), list[str]()

    def emit(self, record: logging.LogRecord) -> None:
        if record.thread == self._thread:
            self._lines.append(record.getMessage())

    def status(self) -> int | None:
        found = [int(match[1]) for line in self._lines if (match := _STATUS.search(line))]
        return found[-1] if found else None

    def __enter__(self) -> "_Listening":
        logging.getLogger("apprise").addHandler(self)
        return self

    def __exit__(self, *exc: object) -> None:
        logging.getLogger("apprise").removeHandler(self)
