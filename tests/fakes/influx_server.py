"""A double of an InfluxDB 2 server at the level of the wire: HTTP, token, gzip, line protocol, annotated CSV, buckets, tasks, refusals.

It parses the line protocol strictly, keeps points by measurement, tags and time as the server does, and answers the questions of
api.history.influx_flux, which it knows by their text; Flux itself it cannot. RESTVOLT_TEST_INFLUX_URL runs the same tests on a real one.
Written after the InfluxDB 2 API reference (write, query, buckets, tasks) and its line protocol page.
"""

import gzip
import json
import re
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

from api.history import influx_flux as flux

Points = dict[tuple[str, str, int], dict[str, int | float]]
"""(measurement, battery, time in ns) → fields."""

_FIELD = re.compile(r"([A-Za-z_][A-Za-z0-9_]*)=(-?[0-9]+)i")
_LINE = re.compile(r"([^, \\]+)((?:,[^,= \\]+=(?:\\[,= ]?|[^,= \\])+)*) ([^ ]+) ([0-9]+)")


class InfluxDouble:
    """A context: a server on a free port of the loopback."""

    def __init__(self, token: str = "right token", org: str = "fleet", bucket: str = "readings") -> None:
        self.token, self.org, self.bucket = token, org, bucket
        self.buckets: dict[str, Points] = {bucket: {}}
        self.retention: dict[str, int] = {bucket: 0}
        self.tasks: dict[str, str] = {}
        self.refuse: list[tuple[int, dict[str, str]]] = []
        """Status and headers with which the next requests are refused, one after the other."""
        self.largest_bytes = 10_000_000
        self.writes: list[int] = []
        """Lines in each write that was taken."""
        self._httpd: ThreadingHTTPServer | None = None
        self.port = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def __enter__(self) -> "InfluxDouble":
        self.start()
        return self

    def start(self) -> None:
        """Again on the same port after `stop`: what was written is still there."""
        double = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def _any(self) -> None:
                double.answer(self)

            do_GET = do_POST = do_PATCH = _any  # noqa: N815 - named by the library

            def log_message(self, *_: Any) -> None:
                return

        self._httpd = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        self._httpd.daemon_threads = True
        self.port = self._httpd.server_port
        threading.Thread(target=self._httpd.serve_forever, args=(0.02,), daemon=True).start()

    def stop(self) -> None:
        if self._httpd is not None:
            self._httpd.shutdown()
            self._httpd.server_close()
            self._httpd = None

    def __exit__(self, *_: object) -> None:
        self.stop()

    # --- answers

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        body = request.rfile.read(int(request.headers.get("Content-Length") or 0))
        status, content, kind, headers = self._answered(request, body)
        raw = content.encode()
        request.send_response(status)
        for name, value in {"Content-Type": kind, "Content-Length": str(len(raw)), "Connection": "close", **headers}.items():
            request.send_header(name, value)
        request.end_headers()
        request.wfile.write(raw)
        request.close_connection = True

    def _answered(self, request: BaseHTTPRequestHandler, body: bytes) -> tuple[int, str, str, dict[str, str]]:
        if self.refuse:
            status, headers = self.refuse.pop(0)
            return status, '{"code":"refused","message":"as the test wants it"}', "application/json", headers
        if request.headers.get("Authorization") != f"Token {self.token}":
            return 401, '{"code":"unauthorized","message":"unauthorized access"}', "application/json", {}
        if len(body) > self.largest_bytes:
            return 413, '{"code":"request too large","message":"too large"}', "application/json", {}
        if request.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        where = urlsplit(request.path)
        given = {key: values[0] for key, values in parse_qs(where.query).items()}
        make: Callable[[str, dict[str, str], bytes], tuple[int, str]] = {
            "write": self._write, "query": self._query, "buckets": self._buckets, "tasks": self._tasks, "orgs": self._orgs,
        }[where.path.split("/")[3]]  # fmt: skip
        status, content = make(request.command + " " + where.path, given, body)
        return status, content, "application/csv" if "/query" in where.path and status == 200 else "application/json", {}

    def _write(self, _what: str, given: dict[str, str], body: bytes) -> tuple[int, str]:
        points = self.buckets.get(given["bucket"])
        if points is None or given["org"] != self.org:
            return 404, '{"code":"not found","message":"bucket not found"}'
        assert given["precision"] == "ns"
        made: Points = {}
        for line in body.decode().split("\n"):
            match = _LINE.fullmatch(line)
            fields = None if match is None else [_FIELD.fullmatch(field) for field in match[3].split(",")]
            if match is None or fields is None or not all(fields):
                return 400, json.dumps({"code": "invalid", "message": f"unable to parse '{line[:60]}'"})
            tags = dict(tag.split("=", 1) for tag in re.split(r"(?<!\\),", match[2])[1:])
            battery = re.sub(r"\\([,= ])", r"\1", tags["battery"])
            made.setdefault((match[1], battery, int(match[4])), {}).update({f[1]: int(f[2]) for f in fields if f is not None})
        for key, found in made.items():
            points.setdefault(key, {}).update(found)
        self.writes.append(len(made))
        return 204, ""

    def _query(self, _what: str, given: dict[str, str], body: bytes) -> tuple[int, str]:
        asked = json.loads(body)
        values = {s["assignment"]["id"]["name"]: s["assignment"]["init"]["value"] for s in asked["extern"]["body"]}
        if values["_bucket"] not in self.buckets:
            return 404, '{"code":"not found","message":"could not find bucket"}'
        answers = {flux.LAST: self._last, flux.ROWS: self._rows, flux.JOINED: self._joined, flux.HOURS: self._hours}
        if asked["query"] not in answers:
            return 400, '{"code":"invalid","message":"this double does not know the question"}'
        begin, end = int(values["_begin"]), int(values["_end"])
        if begin >= end:
            return 400, '{"code":"invalid","message":"error: cannot query an empty range"}'
        found = sorted(
            (at, fields)
            for (measurement, battery, at), fields in self.buckets[values["_bucket"]].items()
            if measurement == "reading" and battery == values["_battery"] and begin <= at < end
        )
        return 200, answers[asked["query"]](found, values)

    @staticmethod
    def _last(found: list[tuple[int, dict[str, Any]]], _values: dict[str, str]) -> str:
        return _csv({"_time": "dateTime:RFC3339"}, [{"_time": _rfc3339(at)} for at, _ in found[-1:]])

    @staticmethod
    def _rows(found: list[tuple[int, dict[str, Any]]], values: dict[str, str]) -> str:
        names = sorted({name for _, fields in found for name in fields})
        records = [{"_time": _rfc3339(at), **fields} for at, fields in found[: int(values["_limit"])]]
        return _csv({"_time": "dateTime:RFC3339", **dict.fromkeys(names, "long")}, records)

    def _joined(self, found: list[tuple[int, dict[str, Any]]], values: dict[str, str]) -> str:
        asked = [(q, of, f) for q in flux.QUANTITIES for of, f in (("mean", _mean), ("min", min), ("max", max))]
        asked += [("low_cpct", "min", min), ("high_cpct", "max", max), ("phase", "last", lambda of: of[-1])]
        return _windows(found, values, asked)

    def _hours(self, found: list[tuple[int, dict[str, Any]]], values: dict[str, str]) -> str:
        asked = [(f"{q}_{part}", "sum", sum) for q in flux.QUANTITIES for part in ("n", "sum")]
        asked += [(f"{q}_min", "min", min) for q in (*flux.QUANTITIES, "low_cpct")] + [
            (f"{q}_max", "max", max) for q in (*flux.QUANTITIES, "high_cpct")
        ]
        return _windows(found, values, [*asked, ("phase_last", "last", lambda of: of[-1])])

    def run_tasks(self, hour_ns: int = 3600 * 10**9) -> None:
        """What the tasks do: hours of the raw bucket into the bucket of hours."""
        hours = self.buckets[f"{self.bucket}_hours"]
        together: dict[tuple[str, str, int], dict[str, list[int | float]]] = {}
        for (measurement, battery, at), fields in sorted(self.buckets[self.bucket].items()):
            for name, value in fields.items():
                together.setdefault((measurement, battery, at // hour_ns * hour_ns), {}).setdefault(name, []).append(value)
        for key, columns in together.items():
            made: dict[str, int | float] = {
                "low_cpct_min": min(columns["low_cpct"]),
                "high_cpct_max": max(columns["high_cpct"]),
                "phase_last": columns["phase"][-1],
            }
            for q in flux.QUANTITIES:
                if q in columns:
                    made |= {
                        f"{q}_n": len(columns[q]),
                        f"{q}_sum": sum(columns[q]),
                        f"{q}_min": min(columns[q]),
                        f"{q}_max": max(columns[q]),
                    }
            hours[key] = made

    def _orgs(self, _what: str, given: dict[str, str], body: bytes) -> tuple[int, str]:
        return 200, json.dumps({"orgs": [{"id": "00000000000000aa", "name": self.org}] if given.get("org") == self.org else []})

    def _buckets(self, what: str, given: dict[str, str], body: bytes) -> tuple[int, str]:
        if what.startswith("GET"):
            names = [n for n in self.buckets if n == given["name"]]
            return (200, json.dumps({"buckets": [self._bucket(n) for n in names]})) if names else (404, '{"code":"not found"}')
        asked = json.loads(body)
        self.buckets.setdefault(asked["name"], {})
        self.retention[asked["name"]] = next((r["everySeconds"] for r in asked.get("retentionRules", ())), 0)
        return (201 if what.startswith("POST") else 200), json.dumps(self._bucket(asked["name"]))

    def _bucket(self, name: str) -> dict[str, Any]:
        seconds = self.retention[name]
        rules = [{"type": "expire", "everySeconds": seconds}] if seconds else []
        return {"id": name.encode().hex().ljust(16, "0")[:16], "orgID": "00000000000000aa", "name": name, "retentionRules": rules}

    def _tasks(self, what: str, given: dict[str, str], body: bytes) -> tuple[int, str]:
        if what.startswith("GET"):
            return 200, json.dumps({"tasks": [self._task(n) for n in self.tasks if n == given.get("name", n)]})
        text = json.loads(body)["flux"]
        name = re.findall(r'option task = \{name: "([^"]+)"', text)[0]
        self.tasks[name] = text
        return (201 if what.startswith("POST") else 200), json.dumps(self._task(name))

    def _task(self, name: str) -> dict[str, Any]:
        return {
            "id": name.encode().hex()[-16:],
            "orgID": "00000000000000aa",
            "org": self.org,
            "name": name,
            "status": "active",
            "flux": self.tasks[name],
        }


def _mean(of: list[Any]) -> float:
    return float(sum(of) / len(of))


def _windows(
    found: list[tuple[int, dict[str, Any]]], values: dict[str, str], asked: list[tuple[str, str, Callable[[list[Any]], Any]]]
) -> str:
    every, begin = int(values["_every"]), int(values["_begin"])
    together: dict[tuple[str, int], list[Any]] = {}
    for at, fields in found:
        for name, value in fields.items():
            together.setdefault((name, at // every * every), []).append(value)
    records = [
        {"_time": _rfc3339(max(at, begin)), "_field": name, "of": of, "_value": float(f(column))}
        for (name, at), column in sorted(together.items())
        for wanted, of, f in asked
        if wanted == name
    ]
    return _csv({"_time": "dateTime:RFC3339", "_field": "string", "of": "string", "_value": "double"}, records)


def _csv(columns: dict[str, str], records: list[dict[str, Any]]) -> str:
    """The annotated CSV of the API: datatype, group and default first, a column for the result and one for the table."""
    if not records:
        return "\r\n"
    head = [f"#datatype,string,long,{','.join(columns.values())}", f"#group,false,false,{','.join('false' for _ in columns)}"]
    head += [f"#default,_result,,{',' * (len(columns) - 1)}", f",result,table,{','.join(columns)}"]
    return "\r\n".join([*head, *(f",,0,{','.join(str(record.get(name, '')) for name in columns)}" for record in records), "", ""])


def _rfc3339(at_ns: int) -> str:
    whole = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at_ns // 10**9)
    return f"{whole:%Y-%m-%dT%H:%M:%S}.{at_ns % 10**9:09d}Z"
