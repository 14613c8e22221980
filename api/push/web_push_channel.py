"""Web push to the installed page (RFC 8030, encrypted after RFC 8291, signed after RFC 8292) by pywebpush, an extra.

The address is `webpush:` and a file that api.push.subscriptions made: the subscription as the browser gave it, with the service's
own key beside it. The file of a browser that is gone is thrown away.
"""

import json
from contextlib import nullcontext
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from api.ports import Message, PushFailed, PushRefused
from api.push.guard import BadAddress, check_host, outward

TIMEOUT_S = 20.0
KEEP_S = 86_400
"""How long the push service may hold a message for a phone that is off; judgement: older news comes from the page."""
URGENCY = {"high": "high", "medium": "normal", "low": "low"}
"""RFC 8030 section 5.3."""
LONGEST_TEXT = 2_500
"""Bytes of text: RFC 8291 section 4 makes 4096 octets the least that services carry, encryption and title included."""


class WebPushChannel:
    """The file holds {"subscription": {"endpoint", "keys": {"p256dh", "auth"}}, "private_key", "contact"}."""

    def __init__(self, name: str, address: str, *, allow_private: bool = False) -> None:
        self.name, self._allow_private = name, allow_private
        self._path = Path(address.partition(":")[2])
        try:
            held = json.loads(self._path.read_text(encoding="utf-8"))
            self._subscription: dict[str, Any] = held["subscription"]
            self._private_key: str = held["private_key"]
            self._contact: str = held["contact"]
            self._endpoint: str = self._subscription["endpoint"]
        except (OSError, ValueError, KeyError, TypeError) as e:
            raise BadAddress(f"a web push address: expected webpush: and a readable file of a subscription ({type(e).__name__})") from e

    def push(self, message: Message) -> None:
        import requests
        from pywebpush import WebPushException, webpush  # type: ignore[import-untyped]

        host = urlsplit(self._endpoint)
        if not self._allow_private:
            check_host(host.hostname or "", host.port)
        text = message.text.encode()[:LONGEST_TEXT].decode(errors="ignore")
        data = json.dumps(
            {"title": message.title, "text": text, "priority": message.priority, "alert_id": message.alert_id, "battery_id": message.battery_id},
            ensure_ascii=False,
        )  # fmt: skip
        headers = {"urgency": URGENCY.get(message.priority, "normal")}
        try:
            with nullcontext() if self._allow_private else outward():
                webpush(
                    self._subscription, data, vapid_private_key=self._private_key, vapid_claims={"sub": self._contact}, ttl=KEEP_S,
                    timeout=TIMEOUT_S, headers=headers,
                )  # fmt: skip
        except WebPushException as e:
            status = None if e.response is None else e.response.status_code
            if status in (404, 410):
                self._path.unlink(missing_ok=True)
                raise PushRefused("this browser is no longer subscribed (RFC 8030 section 7.3): subscribe again on the page") from e
            if status is not None and 400 <= status < 500 and status != 429:
                raise PushRefused(f"the push service refused it (HTTP status {status})") from e
            raise PushFailed(f"the push service did not take it (HTTP status {status})") from e
        except requests.RequestException as e:
            raise PushFailed(f"the push service did not answer: {type(e).__name__}") from e
