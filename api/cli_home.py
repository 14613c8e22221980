"""`restvolt init`: ask what has to be known, or take it from flags, and write two files. Nothing that exists is overwritten."""

import getpass
import sys
from pathlib import Path
from typing import Annotated

import typer

from api.cli_options import WHERE


def init(
    battery: Annotated[str, typer.Option(help="a name for the battery: letters, digits, hyphens")] = "",
    chemistry: Annotated[str, typer.Option(help="flooded, efb, agm, gel or lifepo4")] = "",
    capacity_ah: Annotated[float, typer.Option(help="rated capacity in ampere-hours")] = 0.0,
    port: Annotated[str, typer.Option(help="serial line of the shunt")] = "",
    broker: Annotated[str, typer.Option(help="host:port of an MQTT broker instead of a serial line")] = "",
    push_file: Annotated[str, typer.Option(help="file with push addresses, one a line; without it alerts go to the terminal")] = "",
    out: Annotated[Path, typer.Option(help="settings file to write")] = WHERE,
) -> None:
    """Write a commented settings file and a systemd unit, asking for what the flags do not say."""
    from analytics.battery import DeclarationError
    from api.home import Answers, serial_ports, settings_text, unit_text

    unit = out.with_name("restvolt.service")
    for path in (out, unit):
        if path.exists():
            typer.echo(f"{path} exists already; nothing is overwritten.", err=True)
            raise typer.Exit(2)
    asked = sys.stdin.isatty()
    battery = battery or (typer.prompt("A name for the battery", default="house") if asked else "house")
    chemistry = chemistry or _need("Chemistry (flooded, efb, agm, gel, lifepo4)", "--chemistry", asked)
    capacity = capacity_ah or float(_need("Rated capacity in Ah, as printed on it", "--capacity-ah", asked))
    if not port and not broker:
        found = serial_ports()
        for line in found:
            typer.echo(f"found: {line}")
        first = found[0] if found else "/dev/serial/by-id/CHANGE-ME"
        port = typer.prompt("Serial line of the shunt", default=first) if asked else first
    try:
        text = settings_text(Answers(battery, chemistry, capacity, None if broker else port, broker or None, push_file or None))
    except DeclarationError as e:
        raise typer.BadParameter(str(e)) from e
    out.parent.mkdir(parents=True, exist_ok=True)
    out.write_text(text, encoding="utf-8")
    out.chmod(0o600)
    unit.write_text(unit_text(Path(sys.argv[0]).resolve(), out.resolve(), getpass.getuser()), encoding="utf-8")
    typer.echo(f"Written: {out} and {unit}. Next:")
    if getpass.getuser() == "root":
        typer.echo(
            f"  change User=root in {unit} to whom the service shall run as; it needs the serial line and {out.parent.resolve()}, no more"
        )
    typer.echo(f"  restvolt check --settings {out} --push      looks at everything and sends a test message")
    typer.echo(f"  restvolt run --settings {out}               runs it here")
    typer.echo(f"  sudo cp {unit} /etc/systemd/system/ && sudo systemctl enable --now restvolt     runs it at every start")


def _need(question: str, flag: str, asked: bool) -> str:
    if not asked:
        raise typer.BadParameter(f"{flag} is needed where nobody can be asked")
    return str(typer.prompt(question))
