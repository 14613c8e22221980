"""What ageing remembers of a battery's whole life: sums, an open rainflow, and a few slow means. Small, for it is kept with every battery."""

from typing import NamedTuple

from analytics.ageing.rainflow import Reversals


class Leg(NamedTuple):
    """A trusted state of charge, where a leg begins or ends, and the totals of charge in and out by then."""

    at_ms: int
    pct: float
    in_ah: float
    out_ah: float
    sd_pct: float
    full: bool = False
    """Known by a full charge or by the owner, and not by the rest-voltage table."""


class Swap(NamedTuple):
    """A step of the state of charge between two looks that nothing counted explains."""

    from_ms: int
    to_ms: int
    before_pct: float
    after_pct: float
    net_ah: float
    """Charge in less out by `to_ms`."""
    confirmed: bool = False
    """It has stood for hours."""


class Pace(NamedTuple):
    """How the battery is used between charges: charges seen, days and ampere-hours out from one to the next (mean)."""

    charges: int = 0
    days: float = 0.0
    out_ah: float = 0.0


class Life(NamedTuple):
    """Renewed at most every half hour."""

    at_ms: int
    begun_ms: int
    reversals: Reversals = Reversals()
    half_cycles: tuple[int, ...] = (0,) * 10
    """Half cycles closed so far, by depth in tens of percent."""
    damage: float = 0.0
    """Miner's sum of them for the battery's rated cycles."""
    leg: Leg | None = None
    far: Leg | None = None
    """Where the running leg began, and its furthest point; None after a silence: what flowed then nobody counted."""
    last: Leg | None = None
    """The last look at a voltage next to rest."""
    silent_h: float = 0.0
    """Hours of silence since then."""
    swap: Swap | None = None
    net_ah: float = 0.0
    slow_a: float = 0.0
    """Charge in less out by `at_ms`, and the mean current of the last hours."""
    capacity_ah: float | None = None
    """Between trusted states of charge, with its variance (that of the table apart)."""
    capacity_var: float = 0.0
    capacity_new_ah: float | None = None
    """The first one that was known to a tenth: what it held when the readings began."""
    resistance_new_ohm: float | None = None
    """Of the first days, at 25 °C."""
    resistance_ohm: float | None = None
    self_discharge: float | None = None
    """Percent a month at rest, from anchor to anchor."""
    full: tuple[int, float, float] | None = None
    """The charge that last filled it (when that began), and the totals in and out when it was full; None once a silence broke the count."""
    charge_factor: float | None = None
    """Ampere-hours in over ampere-hours out from full to full, slow mean."""
    charged_ms: int | None = None
    """End of the last charge worth the name, and what had flowed out by then."""
    charged_out_ah: float = 0.0
    new: Pace = Pace()
    now: Pace = Pace()


class AgeingMemory(NamedTuple):
    """Two sums at every span; everything else is slow."""

    heard_ms: int | None = None
    in_ah: float = 0.0
    out_ah: float = 0.0
    life: Life | None = None
