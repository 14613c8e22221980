"""What comes out of the core: what we believe after an input, what a rule found, and what began or ended.

Values only; nothing is judged here. Times are UTC milliseconds; every interval is a 90 % interval.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from analytics.gist import Gist
    from analytics.rules.rule import Said

Evidence = tuple[tuple[str, float | int | str | None], ...]
"""Names (with the unit in the name) and values, in the order in which a person should read them."""


class Anchor(NamedTuple):
    """A resynchronisation of the count: which, when, what it changed and how much it disagreed with what was believed."""

    kind: str
    """rest | full | empty | gap | declared | check"""
    at_ms: int
    before_pct: float | None
    after_pct: float
    surprise: float
    """Disagreement in standard deviations of what was believed; beyond 4 it becomes a sensor finding, not a jump."""


class Learned(NamedTuple):
    """A value learned from the data, with its 90 % interval."""

    name: str
    """usable_capacity_ah | current_offset_a | charge_acceptance | internal_resistance_ohm | rest_voltage_offset_v | …"""
    value: float
    low: float
    high: float


class Finding(NamedTuple):
    """A rule's judgement. The sentences are the same in push, API and page; each stands alone, without jargon or markup."""

    rule: str
    priority: str
    """high | medium | low"""
    title: str
    """At most 60 characters: what a phone shows first."""
    seen: str
    """What was seen: numbers, times and how sure."""
    meaning: str
    """What it means for this chemistry."""
    advice: str
    """What to do now: one action."""
    caution: str
    """The safety sentences that apply, from analytics.cautions; empty if none does."""
    evidence: Evidence
    source: str
    """Where the threshold comes from: document and section, `common practice, no source` or `judgement: why`."""


class AlertEvent(NamedTuple):
    """A step in the life of an alert. `alert_id` is battery:rule:began_at_ms, so the same fold names the same alert."""

    alert_id: str
    battery_id: str
    rule: str
    kind: str
    """began | worsened | ended; began again, of the same alert, where an end was told that later readings show not to be true"""
    at_ms: int
    priority: str
    reason: str
    """Why this event: a named reason such as `condition held for 600 s`, `condition gone for 1800 s`, `battery replaced`."""
    finding: Finding


class Due(NamedTuple):
    """Something the owner must do by a date."""

    what: str
    """check | refresh | charge_before_storage | check_before_use | check_after_use"""
    due_ms: int
    reason: str


class Forecast(NamedTuple):
    """Time until the safe limit, from the early to the late end of a 90 % interval; None: not falling, or beyond a year."""

    limit_pct: float
    earliest_ms: int | None
    latest_ms: int | None
    basis: str
    """charge balance | rest voltage slope | cannot judge: why"""


class Load(NamedTuple):
    """The standing load measured at rest, positive amperes out of the battery, with its interval and since when."""

    current_a: float
    low_a: float
    high_a: float
    since_ms: int
    basis: str
    """current | rest voltage slope"""


class Details(NamedTuple):
    """The slow part of an assessment: made at most once a minute and shared by all assessments until the next. The sentences are said from
    it and the assessment by whoever reads (analytics.sentences)."""

    at_ms: int
    mode: str = "in use"
    """stored | in use"""
    forecast: Forecast | None = None
    standing_load: Load | None = None
    dues: tuple[Due, ...] = ()
    learned: tuple[Learned, ...] = ()
    findings: tuple[Finding, ...] = ()
    """Every finding that holds now, alert or not yet."""
    exposure: Evidence = ()
    """Time and depth spent low: sulfation exposure, lows, freezing margin."""
    session: Evidence = ()
    """The running or last charging session: kind of charger, phases, set-points, verdict."""
    ageing: Evidence = ()
    """Cycles, throughput, capacity and resistance against new."""


class Untold:
    """Details that nobody has asked for yet: saying them costs more than all the judging, and most are never read.

    What they are said from are values, so they are the same whenever they are said.
    """

    __slots__ = ("_say", "at_ms", "findings", "gist")

    def __init__(self, at_ms: int, findings: tuple[Finding | Said, ...], say: Callable[[], Details], gist: Gist | None = None) -> None:
        self.at_ms = at_ms
        self.gist = gist
        """Known before the words: who keeps details may spare himself new ones that tell nobody anything new. None: they always do."""
        self.findings: tuple[Finding | Said, ...] = findings
        """Rule and priority of each are known before the words."""
        self._say: Details | Callable[[], Details] = say

    def said(self) -> Details:
        """The details; made once."""
        said = self._say = self.passing()
        self.findings = said.findings
        return said

    def passing(self) -> Details:
        """The details for one who keeps them himself: not remembered here, where those of a fleet would be most of its memory."""
        say = self._say
        return say if isinstance(say, Details) else say()

    def __eq__(self, other: object) -> bool:
        return self.said() == (other.said() if isinstance(other, Untold) else other)

    def __hash__(self) -> int:
        return hash(self.at_ms)

    def __repr__(self) -> str:
        return repr(self.said())


class Assessment(NamedTuple):
    """What we believe after one input."""

    battery_id: str
    at_ms: int
    voltage_v: float | None
    current_a: float | None
    temperature_c: float | None
    state_of_charge_pct: float | None
    state_of_charge_low_pct: float | None
    state_of_charge_high_pct: float | None
    charge_phase: str
    """resting | discharging | bulk | absorption | float | equalisation | pulse | charging | unknown"""
    anchor: Anchor | None
    told: Details | Untold

    @property
    def details(self) -> Details:
        """The slow part, said when first asked for."""
        told = self.told
        return told.said() if isinstance(told, Untold) else told


class Outcome(NamedTuple):
    """What one step gives: the belief, and what began, worsened or ended with it."""

    assessment: Assessment
    events: tuple[AlertEvent, ...] = ()
    ignored: str | None = None
    """Why the input changed nothing: `late`, `duplicate`, `future`; None: it was folded."""
