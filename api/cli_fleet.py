"""Commands for whoever runs a fleet: `restvolt init-history`. Thin, like api/cli.py."""

from typing import Annotated

import typer

from api.cli_options import SETTINGS, WHERE


def init_history(
    settings: SETTINGS = WHERE,
    everything: Annotated[
        bool, typer.Option("--all", help="send everything that was kept so far, too: for a history that begins empty")
    ] = False,
) -> None:
    """Make the buckets and tasks that [history] needs in InfluxDB, or bring them to what the settings say. Safe to repeat."""
    from api.database import Database
    from api.history.forward import mark_all
    from api.history.influx_server import HistoryAway, InfluxServer
    from api.settings import load

    loaded = load(settings)
    if loaded.history is None:
        raise typer.BadParameter(f"{settings} has no [history]: there is nothing to make")
    server = InfluxServer(loaded.history)
    try:
        for sentence in server.init() or ["nothing to do: buckets and tasks are as the settings say"]:
            typer.echo(sentence)
    except HistoryAway as e:
        typer.echo(str(e), err=True)
        raise typer.Exit(1) from e
    finally:
        server.close()
    if everything:
        with Database(loaded.database_address) as database:
            typer.echo(f"{mark_all(database)} hours of readings are marked; a running service sends them.")
