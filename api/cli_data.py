"""Commands about what is kept: export, import, backup, restore, budget. Thin, like api/cli.py."""

from pathlib import Path
from typing import Annotated

import typer

from api.cli_options import SETTINGS, WHERE


def export(
    battery: Annotated[str, typer.Argument(help="id of the battery")],
    out: Annotated[Path, typer.Option(help="file to write: .csv, .csv.gz or .parquet")],
    begin: Annotated[str, typer.Option("--from", help="RFC 3339 time with zone; without it, from the first reading")] = "",
    end: Annotated[str, typer.Option("--to", help="RFC 3339 time with zone; without it, to the last reading")] = "",
    settings: SETTINGS = WHERE,
) -> None:
    """Write a battery's readings, exactly as they were folded; replay reads the CSV."""
    from api.exporting import write
    from api.recording import rfc3339_ms
    from api.settings import load

    try:
        from_ms, to_ms = rfc3339_ms(begin) if begin else 0, rfc3339_ms(end) if end else None
    except ValueError as e:
        raise typer.BadParameter(str(e)) from e
    rows = write(load(settings), battery, from_ms, to_ms, out)
    typer.echo(f"{rows} readings of {battery} are in {out}.")
    raise typer.Exit(0 if rows else 1)


def take_in(
    readings: Annotated[Path, typer.Argument(help="a logger's file")],
    battery: Annotated[str, typer.Option(help="id of a declared battery")],
    format_name: Annotated[str, typer.Option("--format", help="which format of the settings reads it: NAME of \\[format.NAME]")],
    settings: SETTINGS = WHERE,
) -> None:
    """Take in a recorded file while the service is stopped. What is known already changes nothing, so it may be run again."""
    from api.importing import take
    from api.settings import load

    counters = take(load(settings), readings, battery, format_name)
    rejected = sum(counters.rejected.values())
    typer.echo(f"{counters.kept} readings are new, {counters.duplicates} were known, {rejected} pieces were no readings.")
    for reason, count in counters.rejected.most_common(5):
        typer.echo(f"  {count} × {reason}")
    if rejected and not counters.kept + counters.duplicates:
        typer.echo(
            f"None of it is a reading: is {readings} the logger's file? Compare its first lines with [format.{format_name}] in the settings."
        )
    raise typer.Exit(1 if rejected else 0)


def backup(
    target: Annotated[Path, typer.Argument(help="file to write; must not exist")],
    settings: SETTINGS = WHERE,
) -> None:
    """Copy the database by its own means; the service may be running."""
    from rich.progress import Progress

    from api.backup import BackupFailed
    from api.backup import backup as copy
    from api.settings import load

    try:
        with Progress(transient=True) as progress:
            task = progress.add_task("copying", total=None)
            size = copy(
                _file(load(settings).database_address), target, lambda done, total: progress.update(task, completed=done, total=total)
            )
    except BackupFailed as e:
        typer.echo(str(e), err=True)
        raise typer.Exit(1) from e
    typer.echo(f"{target}: {size / 1e6:.1f} MB, checked and sound.")


def restore(
    source: Annotated[Path, typer.Argument(help="a backup")],
    settings: SETTINGS = WHERE,
) -> None:
    """Put a backup in place of the database while the service is stopped; what was there is kept aside."""
    from api.backup import BackupFailed
    from api.backup import restore as put_back
    from api.settings import load

    try:
        aside = put_back(source, _file(load(settings).database_address))
    except BackupFailed as e:
        typer.echo(str(e), err=True)
        raise typer.Exit(1) from e
    typer.echo("The backup is in place." + (f" What was there before is {aside}." if aside else ""))


def _file(address: str) -> Path:
    if "://" in address and not address.startswith("sqlite"):
        typer.echo("The database is a server: use its own tools for backup and restore.", err=True)
        raise typer.Exit(2)
    return Path(address.removeprefix("sqlite:///"))


def budget(
    plan: Annotated[Path, typer.Argument(help="TOML file with consumers, bursts, days away, sun …")],
    candidates: Annotated[Path | None, typer.Option(help="CSV of batteries that are being considered")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="for machines")] = False,
) -> None:
    """Work out what a plan of use needs, and weigh batteries that could carry it."""
    from api.budget_cli import as_json as in_json
    from api.budget_cli import budget as work_out
    from api.budget_cli import print_budget

    worked, weighed = work_out(plan, candidates)
    if as_json:
        import json

        typer.echo(json.dumps(in_json(worked, weighed), ensure_ascii=False))
    else:
        print_budget(worked, weighed)
