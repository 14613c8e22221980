"""The command line: thin. Each command reads its files, calls one function and says in words what came of it.

Exit codes: 0 fine, 1 findings or failures, 2 wrong use.
"""

from pathlib import Path
from typing import Annotated

import typer

from api.mistakes import SettingsError

app = typer.Typer(name="restvolt", no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False, help=__doc__)


@app.callback()
def root() -> None:
    """Restvolt keeps leisure batteries from being ruined: it reads their sensors, says how they are and warns in time."""


SETTINGS = Annotated[Path, typer.Option("--settings", "-s", help="the settings file", envvar="RESTVOLT_SETTINGS")]
WHERE = Path("restvolt.toml")


@app.command()
def run(settings: SETTINGS = WHERE) -> None:
    """Run the service until it is stopped: read the sensors, judge, keep, push, and serve page and API."""
    from api.main import Service
    from api.running import logging_in_words, until_stopped
    from api.settings import load

    loaded = load(settings)
    logging_in_words()
    service = Service(loaded)
    until_stopped(lambda stop: service.run(stop, lambda address: typer.echo(f"Restvolt answers at {address}. Ctrl-C ends.")))


@app.command()
def demo(
    seconds: Annotated[str, typer.Option("--for", help="end after so long, such as 90s or 2m; without it Ctrl-C ends")] = "",
    data: Annotated[Path, typer.Option(help="folder for what is kept; emptied at the start")] = Path("data/demo"),
    told_for: Annotated[float, typer.Option(help="seconds in which the fourteen days are told")] = 75.0,
    broker: Annotated[str, typer.Option(help="HOST:PORT of an MQTT broker to use instead of the embedded one")] = "",
    port: Annotated[int, typer.Option(help="port of the page; 0 takes any that is free")] = 8765,
) -> None:
    """Fourteen simulated days in a minute: a van on a serial line, three stored vehicles over MQTT, live."""
    from api.demo import Demo
    from api.running import logging_in_words, seconds_of, until_stopped

    limit = seconds_of(seconds) if seconds else None
    logging_in_words(quiet=True)
    telling = Demo(data, typer.echo, told_s=told_for, broker=broker, port=port)
    until_stopped(lambda stop: telling.run(stop, limit))


@app.command()
def replay(
    readings: Annotated[Path, typer.Argument(help="CSV with time or time_s, voltage_v and what else there is; may be .gz")],
    battery: Annotated[Path, typer.Option(help="TOML file that declares the battery")],
    out: Annotated[Path | None, typer.Option(help="folder for assessments.csv and alerts.jsonl")] = None,
    until_s: Annotated[float | None, typer.Option(help="let the clock run on to this second after the start of time_s")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="the summary for machines")] = False,
) -> None:
    """Fold a recording: what would have been believed and told."""
    from api.declaration import read_battery
    from api.replay import replay as fold_file
    from api.replay_text import as_json_text, as_text

    done = fold_file(readings, read_battery(battery), out, until_s)
    typer.echo(as_json_text(done) if as_json else as_text(done, out))
    raise typer.Exit(1 if done.began else 0)


def main() -> None:
    """Entry point: mistakes in files are told in one line each, not as a traceback."""
    try:
        app()
    except SettingsError as e:
        typer.echo(str(e), err=True)
        raise SystemExit(2) from e
