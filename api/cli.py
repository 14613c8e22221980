"""The command line: thin. Each command reads its files, calls one function and says in words what came of it.

Exit codes: 0 fine, 1 findings or failures, 2 wrong use.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api import cli_data, cli_fleet, cli_home, cli_sensor
from api.cli_options import SETTINGS, WHERE
from api.mistakes import SettingsError

if TYPE_CHECKING:
    from analytics.assessment import Outcome
    from api.tokens import Tokens

app = typer.Typer(name="restvolt", no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False)


@app.callback()
def root() -> None:
    """Restvolt keeps leisure batteries from being ruined: it reads their sensors, says how they are and warns in time.

    It advises; it is not a protective device. Exit codes: 0 fine, 1 findings or failures, 2 wrong use.
    """


@app.command()
def run(settings: SETTINGS = WHERE) -> None:
    """Run the service until it is stopped: read the sensors, judge, keep, push, and serve page and API."""
    from api.checking import secrets
    from api.main import Service
    from api.running import logging_in_words, until_stopped
    from api.settings import load

    loaded = load(settings)
    exposed = [found.says for found in secrets(loaded, settings) if not found.right]
    if exposed:
        raise SettingsError(settings, exposed)
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
    explain: Annotated[bool, typer.Option("--explain", help="tell its story in sentences and draw it: story.html in the folder")] = False,
) -> None:
    """Fold a recording: what would have been believed and told."""
    from api.declaration import read_battery
    from api.replay import replay as fold_file
    from api.replay_text import as_json_text, as_text

    if explain and out is None:
        out = Path()
    happened: list[Outcome] | None = [] if explain else None
    done = fold_file(readings, read_battery(battery), out, until_s, happened)
    if happened is not None and out is not None:
        from api.picture import explained

        typer.echo(explained(readings, out, happened, done))
    typer.echo(as_json_text(done) if as_json else as_text(done, out))
    raise typer.Exit(1 if done.began else 0)


@app.command()
def check(
    settings: SETTINGS = WHERE,
    push: Annotated[bool, typer.Option(help="send everybody a test message")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="for machines")] = False,
) -> None:
    """Look at settings, secrets, folder, database, serial lines, brokers and, with --push, the ways to reach people."""
    import asyncio
    import json

    from api.checking import everything
    from api.settings import load

    async def look() -> bool:
        right = True
        async for found in everything(load(settings), settings, push=push):
            right = right and found.right
            typer.echo(
                json.dumps({"right": found.right, "says": found.says})
                if as_json
                else f"{'right' if found.right else 'WRONG'}  {found.says}"
            )
        return right

    raise typer.Exit(0 if asyncio.run(look()) else 1)


token = typer.Typer(no_args_is_help=True, help="Who may ask what: tokens for people, pages and gateways.")
app.add_typer(token, name="token")


@token.command("new")
def token_new(
    name: Annotated[str, typer.Argument(help="whose it is, so that it can be withdrawn")],
    role: Annotated[str, typer.Option(help="read, operate, ingest or admin")] = "read",
    fleet: Annotated[str | None, typer.Option(help="only this fleet; without it, every fleet")] = None,
    days: Annotated[int | None, typer.Option(help="ends after so many days")] = None,
    settings: SETTINGS = WHERE,
) -> None:
    """Make a token. It is shown once; only a hash of it is kept."""
    from api.clock import MachineClock
    from api.tokens import TokenError, issue

    now_ms = MachineClock().wall_ms()
    try:
        text, record = issue(name, role, fleet, now_ms, None if days is None else now_ms + days * 86_400_000)  # type: ignore[arg-type]
    except TokenError as e:
        raise typer.BadParameter(str(e)) from e
    _tokens(settings).add(record)
    typer.echo(text)
    typer.echo(f"Keep it safe: it is not shown again. Withdraw it with: restvolt token withdraw {record.id}", err=True)


@token.command("list")
def token_list(settings: SETTINGS = WHERE) -> None:
    """Show who has a token (never the token itself)."""
    from api.words import rfc3339

    for t in _tokens(settings).all():
        until = "until withdrawn" if t.expires_ms is None else f"until {rfc3339(t.expires_ms)}"
        typer.echo(f"{t.id}  {t.name}: {t.role}, {'every fleet' if t.fleet is None else t.fleet}, {until}")


@token.command("withdraw")
def token_withdraw(token_id: str, settings: SETTINGS = WHERE) -> None:
    """End a token at once."""
    if not _tokens(settings).withdraw(token_id):
        typer.echo(f"there is no token {token_id}; see: restvolt token list", err=True)
        raise typer.Exit(1)
    typer.echo(f"Token {token_id} is withdrawn.")


def _tokens(settings: Path) -> "Tokens":
    from api.settings import load
    from api.tokens import Tokens

    folder = load(settings).data
    folder.mkdir(parents=True, exist_ok=True)
    return Tokens(folder / "tokens.json")


app.command("init")(cli_home.init)
app.command("init-history")(cli_fleet.init_history)
app.command("listen")(cli_sensor.listen)
app.command("calibrate")(cli_sensor.calibrate)
app.command("export")(cli_data.export)
app.command("import")(cli_data.take_in)
app.command("backup")(cli_data.backup)
app.command("restore")(cli_data.restore)
app.command("budget")(cli_data.budget)


def main() -> None:
    """Entry point: mistakes in files are told in one line each, not as a traceback."""
    try:
        app()
    except SettingsError as e:
        typer.echo(str(e), err=True)
        raise SystemExit(2) from e
