"""`restvolt init`: a settings file with a sentence beside each key, and a systemd unit that gives the service no more rights than it needs."""

from pathlib import Path
from typing import NamedTuple

from analytics.battery import Battery
from analytics.chemistries import CHEMISTRIES

BY_ID = Path("/dev/serial/by-id")


class Answers(NamedTuple):
    """What has to be known to begin."""

    battery_id: str
    chemistry: str
    rated_capacity_ah: float
    port: str | None
    """A serial line; None: the sensor speaks MQTT."""
    broker: str | None
    """host:port of a broker."""
    push_file: str | None
    """A file with one address a line; None: alerts go to the terminal."""


def serial_ports(by_id: Path = BY_ID) -> list[str]:
    """Serial lines by their stable path: the number in /dev/ttyUSB0 may be another device's tomorrow."""
    return sorted(str(p) for p in by_id.glob("*")) if by_id.is_dir() else []


def settings_text(a: Answers) -> str:
    """The settings file. Raises DeclarationError for a battery that cannot be."""
    battery = Battery(a.battery_id, a.chemistry, a.rated_capacity_ah)
    people = f'urls_file = "{a.push_file}"   # one address a line, readable by the service only' if a.push_file else 'urls = ["terminal:"]'
    return f"""# Restvolt's settings. A key that is not known is refused; `restvolt check` says what is wrong.
data = "data"                  # folder for the database, relative to this file

[keep]
commit_every_s = 5             # seconds gathered before they are written to the card; up to 60 saves wear

[web]
host = "127.0.0.1"             # only this machine; another address needs a token for every request
port = 8765

{_source(a)}
[[battery]]
id = "{battery.id}"
chemistry = "{battery.chemistry}"          # one of {", ".join(CHEMISTRIES)}
rated_capacity_ah = {battery.rated_capacity_ah:g}       # as printed on it
rated_hours = 20               # the hours of that rating
cells = {battery.cells}                     # in series
# safe_limit_pct = {battery.limit_pct:.0f}          # do not fall below this state of charge
# rest_voltage_table = [[0, 11.8], [50, 12.3], [100, 12.8]]   # the maker's, if there is one: percent, volts at rest, 25 °C

[battery.sensor]               # how far the sensor may be wrong, as its maker says
current_gain_pct = 1.0
current_offset_a = 0.05
voltage_offset_v = 0.02
measures_current = true        # false for a sensor that knows only the voltage

[[push.people]]
name = "owner"
{people}
priority = "low"               # the least that this person is told: low, medium or high
time_zone = "UTC"
"""


def _source(a: Answers) -> str:
    where = f'[[source]]\nkind = "serial"\nport = "{a.port}"\nbaud = 19200\nbattery = "{a.battery_id}"\nformat = "shunt"\n'
    if a.port is None:
        host, _, port = (a.broker or "127.0.0.1:1883").partition(":")
        where = f'[[source]]\nkind = "mqtt"\nhost = "{host}"\nport = {port or 1883}\ntopic = "readings/{{battery}}"\nformat = "shunt"\n'
    decoder = 'decoder = "delimited"          # lines of key=value; `restvolt listen` shows what arrives and proposes a map\ndelimiter = ""\npairs = "="\n'
    if a.port is None:
        decoder = 'decoder = "json"\n'
    return f"""{where}
[format.shunt]
{decoder}voltage = "v"
current = {{ field = "i", unit = "A", positive = "charging" }}   # or "discharging", if the sensor counts that way
temperature = "c"
"""


def unit_text(program: Path, settings: Path, user: str) -> str:
    """A systemd unit: restarted always, no new privileges, a protected system, serial lines by group, a folder of its own."""
    return f"""[Unit]
Description=Restvolt: watches over leisure batteries
After=network.target time-sync.target

[Service]
ExecStart={program} run --settings {settings}
User={user}
SupplementaryGroups=dialout
Restart=always
RestartSec=5
StandardOutput=journal

NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=read-only
ReadWritePaths={settings.parent}
PrivateTmp=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectControlGroups=yes
RestrictSUIDSGID=yes
RestrictNamespaces=yes
LockPersonality=yes
CapabilityBoundingSet=
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
MemoryMax=300M

[Install]
WantedBy=multi-user.target
"""
