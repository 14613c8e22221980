"""The connection to an InfluxDB 2 server: settings, what can go wrong in words, and the buckets and tasks that history needs. No history."""

from collections.abc import Callable
from typing import Any

from influxdb_client import (  # type: ignore[attr-defined]
    BucketRetentionRules,
    InfluxDBClient,
    TaskCreateRequest,
)
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from api.history import influx_flux as flux
from api.history.influx_settings import InfluxSettings


class HistoryAway(RuntimeError):  # noqa: N818 - named for what happened
    """InfluxDB did not take or give anything now; trying again makes sense, not before `retry_after_s` if it said so."""

    def __init__(self, says: str, retry_after_s: float | None = None) -> None:
        super().__init__(says)
        self.retry_after_s = retry_after_s


class HistoryRefused(RuntimeError):  # noqa: N818
    """InfluxDB refuses one line and always will; the others can be written. The row is still in the ledger's database."""


class Unfit(Exception):  # noqa: N818
    """Too large or not understood: smaller parts may pass."""


class InfluxServer:
    """Cheap to make; connects with the first request."""

    def __init__(self, settings: InfluxSettings) -> None:
        self.settings = settings
        self._opened: Any = None

    def init(self) -> list[str]:
        """Make buckets and tasks, or bring them to what the settings say; gives a sentence for each change. Safe to repeat."""
        s = self.settings
        said = self.make_bucket(s.bucket, s.raw_days * 86_400) + self.make_bucket(s.hours_bucket, 0)
        said += self._task("restvolt readings by hour", "1h", "26h")
        return said + self._task("restvolt late readings by hour", "1d", "45d")

    def make_bucket(self, name: str, seconds: int) -> list[str]:
        """A bucket that keeps for so long (0: for ever)."""
        kept = f"{seconds // 86_400} days" if seconds else "for ever"
        rules = [BucketRetentionRules(type="expire", every_seconds=seconds)]  # type: ignore[no-untyped-call]
        api = self._client().buckets_api()
        found = self.ask(lambda _: next(iter(api.find_buckets(name=name, org=self.settings.org).buckets or ()), None), missing_is_none=True)
        if found is None:
            self.ask(lambda _: api.create_bucket(bucket_name=name, org=self.settings.org, retention_rules=rules))
            return [f"bucket {name} made, kept {kept}"]
        if [rule.every_seconds for rule in found.retention_rules or ()] in ([seconds], [] if seconds == 0 else [seconds]):
            return []
        found.retention_rules = rules
        self.ask(lambda _: api.update_bucket(found))
        return [f"bucket {name} is kept {kept} from now on"]

    def drop_bucket(self, name: str) -> None:
        """With all that is in it. For tests."""
        api = self._client().buckets_api()
        self.ask(lambda _: api.delete_bucket(api.find_bucket_by_name(name)))

    def _task(self, name: str, every: str, back: str) -> list[str]:
        text = flux.task(name, every, back, self.settings.bucket, self.settings.hours_bucket)
        api = self._client().tasks_api()
        found = [task for task in self.ask(lambda _: api.find_tasks(name=name)) if task.name == name]
        if not found:
            org_id = self.ask(lambda client: client.organizations_api().find_organizations(org=self.settings.org))[0].id
            made = TaskCreateRequest(flux=text, org_id=org_id, status="active")  # type: ignore[no-untyped-call]
            self.ask(lambda _: api.create_task(task_create_request=made))
            return [f"task {name} made"]
        if found[0].flux.strip() == text.strip():
            return []
        found[0].flux = text
        self.ask(lambda _: api.update_task(found[0]))
        return [f"task {name} renewed"]

    def _client(self) -> Any:
        if self._opened is None:
            s = self.settings
            try:
                token = s.token_file.read_text(encoding="utf-8").strip()
            except OSError as e:
                raise HistoryAway(f"the token of InfluxDB cannot be read from {s.token_file}: {e.strerror}") from e
            self._opened = InfluxDBClient(
                s.url, token, timeout=round(s.timeout_s * 1000), org=s.org, enable_gzip=True,
                ssl_ca_cert=None if s.ca_file is None else str(s.ca_file),
            )  # fmt: skip
        return self._opened

    def close(self) -> None:
        if self._opened is not None:
            self._opened.close()
            self._opened = None

    def ask(self, what: Callable[[Any], Any], *, missing_is_none: bool = False) -> Any:
        """One request; what goes wrong is said in words. Raises HistoryAway, or Unfit for what would be refused again."""
        s = self.settings
        try:
            return what(self._client())
        except ApiException as e:
            if e.status == 404 and missing_is_none:
                return None
            raise _trouble(e, s) from e
        except (HTTPError, OSError) as e:
            raise HistoryAway(f"InfluxDB at {s.url} does not answer: {type(e).__name__}") from e


def _trouble(e: Any, settings: InfluxSettings) -> Exception:
    """What a refused request means. The server's words are cut short and hold no token."""
    if e.status in (400, 413, 422):
        return Unfit(f"{e.status} {_words(e)}")
    if e.status in (401, 403):
        return HistoryAway(f"InfluxDB at {settings.url} refuses the token in {settings.token_file}: make one that may read and write")
    if e.status == 404:
        return HistoryAway(
            f"InfluxDB at {settings.url} has no organisation {settings.org!r} with a bucket {settings.bucket!r}: run `restvolt init-history`"
        )
    after = (e.headers or {}).get("Retry-After", "")
    retry_after_s = float(after) if str(after).isdigit() else None
    return HistoryAway(f"InfluxDB at {settings.url} takes nothing now ({e.status} {_words(e)})", retry_after_s)


def _words(e: Any) -> str:
    body = e.body.decode(errors="replace") if isinstance(e.body, bytes) else str(e.body or e.reason or "")
    return " ".join(body.split())[:200]
