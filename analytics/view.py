"""All that a component or a rule may look at: one value, made once per closed span or tick and read by everyone."""

from dataclasses import dataclass

from analytics.ageing import AgeingMemory
from analytics.battery import Battery
from analytics.care import CareMemory
from analytics.charging import ChargingMemory
from analytics.estimate import Belief, Model
from analytics.sensors import SensorMemory
from analytics.span import Span
from analytics.trend import TrendMemory
from analytics.use import UseMemory


@dataclass(slots=True)
class View:
    """The world after a span (or after a tick: then `span` is the last one and `ticked` is true).

    Components are updated in the order of the fields below `belief`; a component sees those above it renewed, itself and
    those below it as they were. Only the core sets fields, while it renews them; a tuple would be copied for each.
    """

    battery: Battery
    model: Model
    now_ms: int
    ticked: bool
    span: Span | None
    """The latest closed span; None before the first."""
    pct: float | None
    low_pct: float | None
    high_pct: float | None
    """State of charge with its 90 % interval; None while nothing is known."""
    belief: Belief
    sensors: SensorMemory
    charging: ChargingMemory
    use: UseMemory
    trend: TrendMemory
    care: CareMemory
    ageing: AgeingMemory
