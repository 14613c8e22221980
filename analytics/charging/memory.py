"""What is remembered of charging: the phase now, the voltage being held, the running or last session, and a few counts.

Numbers only, rounded where they are stored, so that the kept state stays small. Nothing is judged here.
"""

from typing import NamedTuple


class Held(NamedTuple):
    """A voltage that stands still: since when, at what level, and the largest current seen since."""

    since_ms: int
    anchor_v: float
    """Where it began to stand still; leaving its neighbourhood ends the holding."""
    voltage_v: float
    """Slow mean while held."""
    peak_a: float | None
    """Largest smoothed current while held; a current that falls below it at the same voltage is a regulated charge."""


class Session(NamedTuple):
    """One charge, running or last. It begins with current into the battery (or a voltage no rest can explain) and ends after an idle hour."""

    begin_ms: int
    end_ms: int
    """The last moment at which it charged."""
    over: bool = False
    """True once it has been idle long enough to be called ended."""
    begin_pct: float | None = None
    begin_v: float | None = None
    """Voltage just before."""
    charge_ah: float | None = None
    """Charge into the battery, ampere-hours; None without a current sensor."""
    unseen_ms: int = 0
    """Silence inside the session: what happened then nobody saw."""
    bulk_ms: int = 0
    peak_a: float | None = None
    """Largest current that lasted two spans."""
    absorption_ms: int = 0
    absorption_v: float | None = None
    absorption_c: float | None = None
    """Temperature while absorbing."""
    absorption_most_a: float | None = None
    tail_a: float | None = None
    """Smoothed current in absorption, newest."""
    tail_ms: int = 0
    """Time in absorption at or under the tail current."""
    spent_ms: int = 0
    """Time in absorption at or under the smallest tail current: nothing goes in any more."""
    float_ms: int = 0
    float_v: float | None = None
    float_c: float | None = None
    float_a: float | None = None
    float_least_a: float | None = None
    equalisation_ms: int = 0
    equalisation_v: float | None = None
    equalisation_c: float | None = None
    high_ms: int = 0
    """Time above what the window allows at the temperature."""
    high_v: float | None = None
    high_c: float | None = None
    rising_ms: int = 0
    """Time in which the current rose at a held voltage."""
    rising_from_a: float | None = None
    rising_to_a: float | None = None
    cold_ms: int = 0
    cold_ah: float = 0.0
    coldest_c: float | None = None
    hottest_c: float | None = None
    cool_v: float | None = None
    """Held voltage at the coolest (and below, at the warmest) moment of the same phase: what compensation is measured from."""
    cool_c: float | None = None
    warm_v: float | None = None
    warm_c: float | None = None
    pulses: int = 0
    breaks: int = 0
    """How often it stopped and went on: clouds, loads, engine stops."""
    ended_in: str = ""
    """Phase of its last charging moment."""
    rising_from_v: float | None = None
    """When the current was least."""
    rising_from_c: float | None = None
    """When it began to rise."""
    first_a: float | None = None
    """Smoothed current a few minutes after the beginning: a plug or an engine gives all at once, the sun does not."""
    swings: int = 0
    """How often the current leapt up from one span to the next."""
    stretch_ms: int = 0
    """Time in absorption since it was last left for float; 0 once it is left."""


class ChargingMemory(NamedTuple):
    """What charging remembers between spans."""

    phase: str = "unknown"
    """resting | discharging | bulk | absorption | float | equalisation | pulse | charging | unknown"""
    heard_ms: int | None = None
    voltage_v: float | None = None
    """The last voltage believed."""
    doubt_v: float | None = None
    """A jump that one more span must confirm: single wrong samples end here."""
    slow_v: float | None = None
    """Mean of about an hour: what the voltage was before."""
    slow_a: float | None = None
    """Mean of about five minutes."""
    held: Held | None = None
    pulse_score: float = 0.0
    """Excursions of the voltage, fading within an hour."""
    session: Session | None = None
    full_ms: int | None = None
    """When a charge was last seen to finish."""
    partial: int = 0
    """Sessions since then that did not finish, and when the first of them began."""
    partial_since_ms: int | None = None
    drives: int = 0
    """Charges in a row that came and went all at once within hours, as while driving."""

    @property
    def running(self) -> Session | None:
        """The session while it runs; None once it is over, and before the first."""
        session = self.session
        return None if session is None or session.over else session
