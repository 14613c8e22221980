"""Two-point calibration of a sensor's voltage or current, and the reversed shunt. Pure arithmetic on what a person measured.

The scale and offset that come out go into the format's map, which applies them before the unit: (raw × scale + offset) in `unit`.
"""

from math import isfinite
from typing import NamedTuple


class CalibrationError(ValueError):
    """The two points cannot be meant; the text says why and what to do."""


class Point(NamedTuple):
    """What the sensor said and what a trusted meter said at the same moment, in the same unit."""

    said: float
    true: float


class Calibration(NamedTuple):
    """true = said × scale + offset on top of the map that was in use; where `reversed`, true = −said × scale + offset."""

    scale: float
    offset: float
    reversed: bool
    """The sensor counts in the other direction: turn `positive` (or the two thin wires at the shunt) instead of a negative scale."""
    remarks: tuple[str, ...]


FURTHEST_GAIN = 0.2
"""Judgement: a sensor that is wrong by more than a fifth is misconfigured (shunt resistance, unit), not miscalibrated."""
LEAST_APART = {"voltage": 0.5, "current": 2.0}
"""Judgement: volts and amperes that the points must lie apart; a meter of 0.1 % and two digits then gives the slope to a per cent."""


def two_points(quantity: str, low: Point, high: Point) -> Calibration:
    """The straight line through two points. `quantity` is voltage (V) or current (A). Raises CalibrationError."""
    if quantity not in LEAST_APART:
        raise CalibrationError(f"{quantity!r} cannot be calibrated: expected voltage or current")
    if not all(isfinite(x) for x in (*low, *high)):
        raise CalibrationError("all four values must be numbers")
    unit = "V" if quantity == "voltage" else "A"
    apart = LEAST_APART[quantity]
    if abs(high.true - low.true) < apart or abs(high.said - low.said) < apart / 2:
        raise CalibrationError(f"the two points lie too close together: expected at least {apart:g} {unit} between them")
    scale = (high.true - low.true) / (high.said - low.said)
    backwards = scale < 0
    if backwards and quantity == "voltage":
        raise CalibrationError("the sensor's voltage falls where the meter's rises: the two points were probably exchanged")
    size = abs(scale)
    offset = low.true - scale * low.said
    if abs(size - 1) > FURTHEST_GAIN:
        hint = "check shunt_ohm and unit first" if quantity == "current" else "check the unit and the divider first"
        raise CalibrationError(f"the sensor is wrong by {abs(size - 1):.0%}, which is no matter of calibration: {hint}")
    remarks = []
    if backwards:
        remarks.append(
            'The current has the wrong sign: set positive = "discharging" (or "charging", if it is that now), or exchange the two thin wires at the shunt.'
        )
    if abs(offset) > (0.5 if quantity == "voltage" else 1.0):
        remarks.append(f"An offset of {offset:+.2f} {unit} is large; repeat the measurement with the load off.")
    return Calibration(size, offset, backwards, tuple(remarks))


def combined(scale: float, offset: float, found: Calibration, factor: float = 1.0, positive: str = "charging") -> tuple[float, float]:
    """The map's new scale and offset from its old ones.

    `factor` turns the map's unit into V or A (0.001 for mV or mA; for a shunt 0.001 / shunt_ohm where the unit is mV), because the
    calibration is in V or A and the map's offset in its own unit. `positive` is the map's as it will be from now on, that is turned
    where `found.reversed`: the map turns the sign last.
    """
    sign = 1.0 if positive == "charging" else -1.0
    return scale * found.scale, offset * found.scale + sign * found.offset / factor


def zero(said_a: float) -> Calibration:
    """A current sensor's offset from what it says with everything switched off and the battery disconnected from its loads."""
    if not isfinite(said_a) or abs(said_a) > 5:
        raise CalibrationError(f"{said_a:g} A with everything off is no offset: something is still on, or the unit is wrong")
    return Calibration(1.0, -said_a, False, ())
