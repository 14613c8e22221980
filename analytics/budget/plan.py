"""What the owner plans, as values. Nothing is checked here (the reader of the file does) and nothing is worked out."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Consumer:
    """Something that draws current: `power_w` or `current_a`, hours a day, and the part of that time in which it really runs."""

    name: str
    hours: float
    power_w: float | None = None
    current_a: float | None = None
    duty_pct: float = 100.0
    count: int = 1
    via_inverter: bool = False
    """Then `power_w` is what it draws from the socket."""


@dataclass(frozen=True, slots=True)
class Burst:
    """A short strong load such as a mover or levelling."""

    name: str
    seconds: float
    power_w: float | None = None
    current_a: float | None = None
    per_day: float = 1.0
    via_inverter: bool = False


@dataclass(frozen=True, slots=True)
class Inverter:
    """Mains from the battery: efficiency, what it draws by itself, and how long it is on each day."""

    efficiency_pct: float = 88.0
    standby_w: float = 0.0
    hours: float = 0.0


@dataclass(frozen=True, slots=True)
class Sunlight:
    """Panels lying flat on the roof. `sunshine_pct` is the part of the day's possible sunshine hours in that month."""

    latitude_deg: float
    month: int
    panel_w: float
    sunshine_pct: float = 40.0
    losses_pct: float = 25.0
    """Heat, dirt, shade, cable and controller (judgement: a quarter on a flat roof)."""


@dataclass(frozen=True, slots=True)
class ChargerOnBoard:
    """What charges the battery: its absorption voltage at 25 °C for 12 V, its current, and hours it can run on a day of travel."""

    current_a: float
    absorption_v: float | None = None
    float_v: float | None = None
    hours_a_day: float = 0.0
    lithium_profile: bool = False


@dataclass(frozen=True, slots=True)
class Installed:
    """The battery on board."""

    chemistry: str
    rated_capacity_ah: float
    rated_hours: float = 20.0
    rated_cycles: float | None = None
    rated_cycles_depth_pct: float | None = None
    burst_limit_a: float | None = None
    resistance_ohm: float | None = None
    health_pct: float = 100.0


@dataclass(frozen=True, slots=True)
class Tray:
    """Room for the battery; None where it does not matter."""

    length_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    weight_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """One way of using the vehicle."""

    name: str
    consumers: tuple[Consumer, ...]
    bursts: tuple[Burst, ...] = ()
    inverter: Inverter = field(default_factory=Inverter)
    sun: Sunlight | None = None
    charger: ChargerOnBoard | None = None
    battery: Installed | None = None
    tray: Tray = field(default_factory=Tray)
    nominal_v: float = 12.0
    days_away: float = 2.0
    days_a_year: float = 60.0
    hook_up: bool = False
    """Then the mains carries the use; only bursts and the day without hook-up matter."""
    temperature_c: float = 20.0
    margin_pct: float = 20.0
    usable_depth_pct: float | None = None
    """None: what suits the chemistry."""
    end_of_life_pct: float = 80.0


@dataclass(frozen=True, slots=True)
class Candidate:
    """A battery that the owner considers."""

    name: str
    chemistry: str
    rated_capacity_ah: float
    rated_hours: float
    price: float
    rated_cycles: float | None = None
    rated_cycles_depth_pct: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    height_mm: float | None = None
    weight_kg: float | None = None
    burst_limit_a: float | None = None
