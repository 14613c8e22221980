"""What goes into the core: a `Reading`, a `Tick`, or a `Note`. Nothing else does.

Sign: **current is positive into the battery (charging)**. A sensor's own convention ends in its decoder.
Time: UTC, integer milliseconds since 1970. "Nothing" is `None`, never 0: zero amperes is a reading.
This file does no parsing and knows no sensor.
"""

from collections.abc import Iterable
from typing import NamedTuple


class Reading(NamedTuple):
    """One sample of one battery, in the units and sign of the core.

    A NamedTuple and not a frozen dataclass: making one costs a fifth as much, and one is made per sample.
    Range checks are the decoder's; the core takes any finite number and judges it.
    """

    battery_id: str
    at_ms: int
    voltage_v: float
    current_a: float | None = None
    temperature_c: float | None = None
    charge_ah: float | None = None
    """The sensor's own charge counter, positive into the battery; only differences of it are used."""
    sequence: int = 0
    """The sensor's or gateway's own count, 0 if it has none. (battery, time, sequence) names a reading."""
    monotonic_ms: int | None = None
    """Milliseconds since the sender's boot, where it tells; with `boot_id` it dates readings taken without a clock."""
    boot_id: str | None = None


class Tick(NamedTuple):
    """Time went by without a reading. Lets silence, due dates and hold-timers be judged."""

    battery_id: str
    at_ms: int


class Note(NamedTuple):
    """Something a person did or said, folded at its own time like a reading so that a replay repeats it.

    kind, value:
    - `check`: a voltage measured by hand, volts at rest (value: float)
    - `mode`: how the battery is used from now on (value: "stored" | "in use" | "by data")
    - `charged`: a charge that the owner says was done (value: None); believed only once the data show it
    - `replaced`: another battery of the same declaration is in place (value: None); learned values are dropped
    - `forget`: drop one learned value (value: its name) or all of them ("all")
    - `coldest`: the lowest temperature that the owner expects in the next days, degrees Celsius (value: float)

    One kind is nobody's doing but ingest's finding, kept in the same way:
    - `clock`: the clock of the sender `who` is wrong, and so many milliseconds are added to its stamps (value: int), or right again (None)
    """

    battery_id: str
    at_ms: int
    kind: str
    value: float | str | None = None
    who: str = ""


Input = Reading | Tick | Note

NOTE_KINDS = ("check", "mode", "charged", "replaced", "forget", "coldest")
"""What people do and say."""


def by_people(notes: Iterable[Note]) -> list[Note]:
    """What people did and said, oldest first, without what ingest found by itself."""
    return sorted((note for note in notes if note.kind in NOTE_KINDS), key=lambda note: note.at_ms)


def on_the_grid(reading: Reading) -> Reading:
    """The reading rounded to what history keeps (1 mV, 1 mA, 0.1 °C, 1 mAh), so that a fold of history equals the live fold."""
    battery_id, at_ms, voltage, current, temperature, charge, sequence, monotonic_ms, boot_id = reading
    return Reading(  # not _replace: it costs three times as much, and this is done for every reading
        battery_id,
        at_ms,
        round(voltage, 3),
        None if current is None else round(current, 3),
        None if temperature is None else round(temperature, 1),
        None if charge is None else round(charge, 3),
        sequence,
        monotonic_ms,
        boot_id,
    )
