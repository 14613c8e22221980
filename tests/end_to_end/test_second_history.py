"""A service with a second history: made by a command, filled while it runs, asked by the page, and missed aloud when it is away."""

import asyncio
import json
import urllib.request
from pathlib import Path

from typer.testing import CliRunner

from api.cli import app
from api.history.influx import InfluxHistory
from api.main import Service
from api.settings import load
from tests.fakes.influx_server import InfluxDouble

SETTINGS = """
data = "data"
[keep]
commit_every_s = 0.05
[clock]
believed_after_s = 0
[web]
port = 0
[history]
url = "{url}"
org = "fleet"
token_file = "{token}"
[format.json]
voltage = "volts"
time = {{ field = "time" }}
[[battery]]
id = "heron"
chemistry = "agm"
rated_capacity_ah = 95
"""


def written(folder: Path, double: InfluxDouble) -> Path:
    (folder / "token").write_text(double.token)
    path = folder / "restvolt.toml"
    path.write_text(SETTINGS.format(url=double.url, token=folder / "token"))
    return path


def asked(address: str, path: str) -> dict[str, object]:
    with urllib.request.urlopen(f"{address}{path}", timeout=10) as answer:
        return dict(json.loads(answer.read()))


async def put(service: Service, minute: int) -> None:
    payload = json.dumps({"time": f"2026-03-01T10:{minute:02d}:00Z", "volts": 12.6}).encode()
    receipt = await service.inlet.put("heron", "json", payload)
    assert receipt.kept == 1


def test_readings_reach_the_second_history_and_are_answered_from_it(tmp_path: Path) -> None:
    """The command makes buckets and tasks, a kept reading arrives in the double, the API answers from there, and an absence is told but not needed."""
    with InfluxDouble() as double:
        double.buckets.clear()
        path = written(tmp_path, double)
        done = CliRunner().invoke(app, ["init-history", "--settings", str(path), "--all"])
        assert done.exit_code == 0, done.output
        assert "bucket readings made" in done.output
        service = Service(load(path))
        assert isinstance(service.history, InfluxHistory)

        async def live() -> None:
            stop, ready = asyncio.Event(), asyncio.Event()
            running = asyncio.create_task(service.run(stop, lambda _: ready.set()))
            try:
                async with asyncio.timeout(60):
                    await ready.wait()
                    await put(service, 0)
                    assert service.forwarder is not None
                    while not double.writes:
                        await asyncio.sleep(0.05)
                    stretch = "/api/v1/batteries/heron/history?from=2026-03-01T10:00:00Z&to=2026-03-01T11:00:00Z"
                    found = await asyncio.to_thread(asked, service.address, stretch)
                    assert found["voltage_v"] == [12.6]
                    double.token = "changed"
                    await put(service, 1)
                    while not service.forwarder.trouble:
                        await asyncio.sleep(0.05)
                    ready_said = await asyncio.to_thread(asked, service.address, "/readyz")
                    assert "refuses the token" in json.dumps(ready_said)
            finally:
                stop.set()
                await running

        asyncio.run(live())
        service.history.server.close()


def test_without_a_history_there_is_nothing_to_make(tmp_path: Path) -> None:
    """The command says so and ends as wrong use."""
    path = tmp_path / "restvolt.toml"
    path.write_text('data = "data"\n')
    assert CliRunner().invoke(app, ["init-history", "--settings", str(path)]).exit_code == 2


def test_a_history_that_is_away_is_told_by_the_command(tmp_path: Path) -> None:
    """The command ends with 1 and names the address."""
    with InfluxDouble() as double:
        path = written(tmp_path, double)
    done = CliRunner().invoke(app, ["init-history", "--settings", str(path)])
    assert done.exit_code == 1
    assert double.url in done.output
