"""Commands about sensors: listen to what arrives, and calibrate against a trusted meter. Thin, like api/cli.py."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.cli_options import SETTINGS, WHERE

if TYPE_CHECKING:
    from ingest.file_source import FileSettings
    from ingest.mqtt_source import MqttSettings
    from ingest.serial_source import SerialSettings


def listen(
    port: Annotated[str, typer.Option(help="a serial line, by its stable path")] = "",
    baud: Annotated[int, typer.Option(help="its speed")] = 19_200,
    broker: Annotated[str, typer.Option(help="host:port of an MQTT broker")] = "",
    topic: Annotated[str, typer.Option(help="what to subscribe to there")] = "#",
    file: Annotated[Path | None, typer.Option(help="a recorded file")] = None,
    source: Annotated[int, typer.Option(help="which [[source]] of the settings, counted from 1, if none of the others is given")] = 1,
    most: Annotated[int, typer.Option(help="lines or messages to hear")] = 50,
    seconds: Annotated[float, typer.Option(help="how long to listen at most")] = 30.0,
    settings: SETTINGS = WHERE,
) -> None:
    """Show what arrives, as it arrives, and propose the [format.…] that reads it. Leaves nothing behind."""
    import asyncio

    from api.clock import MachineClock
    from api.mistakes import SettingsError
    from ingest.ear import hear
    from ingest.listen import propose
    from ingest.source import SourceLost

    where = _where(port, baud, broker, topic, file, source, settings)
    try:
        heard = asyncio.run(hear(where, MachineClock(0.0), typer.echo, most, seconds))
    except SourceLost as e:
        raise SettingsError("listen", [str(e)]) from e
    proposal = propose(heard)
    if proposal is None:
        typer.echo(
            "\nNothing was heard."
            if not heard
            else "\nNothing in it looks like a battery's voltage: check the speed of the line and the topic."
        )
        raise typer.Exit(1)
    typer.echo(
        f"\nThis reads {proposal.readings} of {proposal.readings + proposal.rejected} pieces; put it into the settings:\n\n{proposal.toml}"
    )
    if proposal.example is not None:
        r = proposal.example
        typer.echo(f"The last would be {r.voltage_v} V" + (f", {r.current_a} A" if r.current_a is not None else "") + ".")
    for remark in proposal.remarks:
        typer.echo(f"· {remark}")


def _where(
    port: str, baud: int, broker: str, topic: str, file: Path | None, source: int, settings: Path
) -> "SerialSettings | MqttSettings | FileSettings":
    """The settings of what to listen to. Any format will do: nothing is decoded while listening."""
    from api.settings import load
    from ingest.file_source import FileSettings
    from ingest.mqtt_source import MqttSettings
    from ingest.serial_source import SerialSettings

    if port:
        return SerialSettings(port=port, baud=baud, format="-")
    if broker:
        host, _, number = broker.partition(":")
        return MqttSettings(host=host, port=int(number or 1883), topic=topic, format="-")
    if file is not None:
        return FileSettings(path=file, format="-")
    known = load(settings).source
    wanted = known[source - 1] if 1 <= source <= len(known) else None
    if not isinstance(wanted, SerialSettings | MqttSettings | FileSettings):
        raise typer.BadParameter(f"--source {source}: expected a serial, mqtt or file source of {settings}, which has {len(known)} sources")
    return wanted


def calibrate(
    quantity: Annotated[str, typer.Argument(help="voltage or current")],
    said: Annotated[list[float], typer.Option(help="what the sensor said, V or A; give it twice (once with --zero)")],
    true: Annotated[list[float] | None, typer.Option(help="what a trusted meter said at the same moments")] = None,
    zero: Annotated[bool, typer.Option(help="current only: the sensor's value with everything switched off")] = False,
    scale: Annotated[float, typer.Option(help="the map's scale until now")] = 1.0,
    offset: Annotated[float, typer.Option(help="the map's offset until now")] = 0.0,
    positive: Annotated[str, typer.Option(help="the map's positive until now: charging or discharging")] = "charging",
    factor: Annotated[float, typer.Option(help="what turns the map's unit into V or A: 0.001 for mV or mA")] = 1.0,
) -> None:
    """Work out scale and offset from two readings of a trusted meter (or the offset from one at rest), ready for the settings."""
    from ingest.calibrate import CalibrationError, Point, combined, two_points
    from ingest.calibrate import zero as at_zero

    try:
        if zero:
            if quantity != "current" or len(said) != 1:
                raise CalibrationError("--zero takes one --said of a current")
            found = at_zero(said[0])
        else:
            if len(said) != 2 or true is None or len(true) != 2:
                raise CalibrationError("two points are needed: --said and --true twice each")
            found = two_points(quantity, Point(said[0], true[0]), Point(said[1], true[1]))
    except CalibrationError as e:
        raise typer.BadParameter(str(e)) from e
    turned = {"charging": "discharging", "discharging": "charging"}[positive] if found.reversed else positive
    new_scale, new_offset = combined(scale, offset, found, factor, turned)
    sign = f', positive = "{turned}"' if quantity == "current" else ""
    typer.echo(f"In the settings: {quantity} = {{ field = …, scale = {new_scale:.5g}, offset = {new_offset:.5g}{sign} }}")
    for remark in found.remarks:
        typer.echo(f"· {remark}")
