"""Our line protocol as a real server reads it: InfluxDB 1.6 of the distribution, whose writes have the same lines as those of version 2.

What it cannot show: version 2's tokens, buckets, tasks and Flux, which 1.6 does not have (the test double stands in for those, see
tests/influx.py). The test's id says whether the server was there.
"""

import json
import shutil
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from random import Random
from typing import Any

import pytest

from analytics.assessment import Assessment, Details
from analytics.reading import Reading, on_the_grid
from api.history.codes import ABOVE, Row, band, reading_of, rows
from api.history.influx import FIELDS, escaped, line
from tests.fleet.rabbit import free_ports, wait_for_port
from tests.fleet.tether import Tethered

T0 = 1_790_000_000_000
INFLUXD = shutil.which("influxd")
SERVERS = ["influxd of the distribution"] if INFLUXD else []
CONFIG = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
dir = "{folder}/meta"
[data]
dir = "{folder}/data"
wal-dir = "{folder}/wal"
query-log-enabled = false
[monitor]
store-enabled = false
[http]
bind-address = "127.0.0.1:{http}"
log-enabled = false
[logging]
level = "error"
"""


class Server:
    """Asked over HTTP, without our own client's words."""

    def __init__(self, port: int) -> None:
        self._address = f"http://127.0.0.1:{port}"
        self.ask("CREATE DATABASE readings")

    def write(self, lines: list[str]) -> int:
        """The status that the server answers with."""
        request = urllib.request.Request(f"{self._address}/write?db=readings&precision=ns", "\n".join(lines).encode(), method="POST")
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return int(answer.status)
        except urllib.error.HTTPError as e:
            e.close()
            return int(e.code)

    def ask(self, question: str) -> list[dict[str, Any]]:
        query = urllib.parse.urlencode({"db": "readings", "epoch": "ns", "q": question})
        request = urllib.request.Request(f"{self._address}/query?{query}", b"", method="POST")
        with urllib.request.urlopen(request, timeout=30) as answer:
            return list(json.load(answer)["results"][0].get("series", []))


@pytest.fixture(scope="module", params=SERVERS)
def server(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server on free ports of the loopback with an empty database."""
    folder = tmp_path_factory.mktemp("influxd")
    http, rpc = free_ports(2)
    (folder / "influxd.conf").write_text(CONFIG.format(folder=folder, http=http, rpc=rpc))
    process = Tethered([str(INFLUXD), "-config", str(folder / "influxd.conf")], log=folder / "log")
    try:
        wait_for_port(http, 60, process)
        yield Server(http)
    finally:
        process.kill()


def made(count: int, seed: int) -> list[Row]:
    """Rows of the SQL history with everything that may be missing, and readings that share a millisecond."""
    luck, pairs = Random(seed), []
    for i in range(count):
        current, warmth, counted = (luck.choice([None, luck.uniform(-most, most)]) for most in (900, 60, 400))
        reading = on_the_grid(Reading("van", T0 + i // 2 * 700, luck.uniform(0, 60), current, warmth, counted, i))
        low, pct, high = luck.choice([(None, None, None), tuple(sorted(luck.uniform(0, 100) for _ in range(3)))])
        pairs.append(
            (reading, Assessment("van", reading.at_ms, reading.voltage_v, current, warmth, pct, low, high, "float", None, Details(0)))
        )
    return rows(pairs, {"van": 1})


def test_a_real_server_reads_what_was_written(server: Server) -> None:
    """Every reading comes back as it was folded, with its belief, at its own nanosecond; writing it again changes nothing."""
    there = made(300, 3)
    for _ in range(2):
        assert server.write([line(escaped("van"), row) for row in there]) == 204
    (series,) = server.ask("SELECT * FROM reading WHERE battery = 'van' ORDER BY time")
    found = [dict(zip(series["columns"], values, strict=True)) for values in series["values"]]
    back = [(1, f["time"] // 10**6, f["sequence"], *(f.get(name) for name in FIELDS)) for f in found]
    assert back == sorted(there, key=lambda row: (row[1], row[2]))
    assert [reading_of("van", row[1:7]) for row in back] == [reading_of("van", row[1:7]) for row in sorted(there, key=lambda r: r[1:3])]
    for row, f in zip(back, found, strict=True):
        ends = band(row[7], row[8])
        assert (f.get("low_cpct"), f.get("high_cpct")) == (ends or (None, None))
        assert f["phase"] == row[8] % ABOVE


@pytest.mark.parametrize("battery_id", ["a b", "a,b", "a=b", "a\\b", "ö-ü", "a'b", 'a"b', "a\\,b"])
def test_a_real_server_reads_any_id(server: Server, battery_id: str) -> None:
    """Ids with characters that mean something in a line are the same tag afterwards."""
    (row,) = made(1, 5)
    assert server.write([line(escaped(battery_id), row)]) == 204
    tags = [value for series in server.ask('SHOW TAG VALUES FROM reading WITH KEY = "battery"') for _, value in series["values"]]
    assert battery_id in tags


def test_a_real_server_refuses_what_is_no_line(server: Server) -> None:
    """Half a line is answered with 400, which our writer takes apart line by line; the good one beside it is kept."""
    row = made(1, 6)[0]
    good = line(escaped("beside"), row)
    assert server.write([good, "reading,battery=beside voltage_mv="]) == 400
    (series,) = server.ask("SELECT count(voltage_mv) FROM reading WHERE battery = 'beside'")
    assert series["values"][0][1] == 1
