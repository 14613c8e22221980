"""One vehicle folded and judged; many vehicles counted. Times in hours unless the name says otherwise."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from statistics import median

from analytics.assessment import AlertEvent
from analytics.core import State, begin, step
from analytics.reading import Reading, Tick
from tests.backtest.fleet import Told, Vehicle

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
WARNINGS = frozenset(("forecast_low", "low_voltage", "deep_discharge"))
"""The rules that say: it goes, or is, below the safe limit."""
JUSTIFIED = frozenset(("silence", "check_due", "refresh_due", "charge_lithium_cold"))
"""True also of a healthy vehicle: the sensors here do fall silent, reminders are due when they are due, and lithium that a panel charges in
frost is being harmed, however full it is."""
NEEDLESS_A_MONTH = 0.05
"""All rules together. Judgement: one needless message in twenty months is forgiven."""
ALARMS_A_DAY = 150
"""About one in ten minutes is very likely acceptable for one operator, twice as many the most that can be managed (EEMUA 191 and
IEC 62682 in secondary sources: controlglobal.com, chemengonline.com; the standards themselves were not read)."""
HIGH_SHARE = 0.05
"""Priorities of about 80 % low, 15 % medium, 5 % high (same sources)."""
HEALTHY_PCT = 12.0
"""A vehicle that never comes within so many points of its limit in the whole time is healthy."""


@dataclass(slots=True)
class Judged:
    """What became of one vehicle."""

    battery_id: str
    chemistry: str
    kind: str
    measures_current: bool
    has_table: bool
    days: float
    lowest_pct: float
    limit_pct: float
    crossed_ms: int | None = None
    """When the true state of charge first fell below the limit."""
    crossed_day: float | None = None
    heard: bool = False
    """Heard from in the week before that."""
    lead_h: float | None = None
    """How long before it the warning that still stood then had begun."""
    silent_said: bool | None = None
    """For a vehicle not heard from: said to be silent within a day."""
    began: Counter[str] = field(default_factory=Counter)
    priorities: Counter[str] = field(default_factory=Counter)
    days_of_alarms: Counter[int] = field(default_factory=Counter)
    chattering: int = 0
    stale: int = 0
    """Alerts that stood for more than 30 days."""
    warned_pct: float | None = None
    """True state of charge above the limit when the first warning began."""

    @property
    def needless(self) -> Counter[str]:
        """Alerts that a healthy vehicle should not have raised, by rule."""
        return Counter({rule: n for rule, n in self.began.items() if rule not in JUSTIFIED}) if self.healthy else Counter()

    @property
    def healthy(self) -> bool:
        return self.lowest_pct > self.limit_pct + HEALTHY_PCT

    @property
    def false_alarms(self) -> int:
        return sum(n for rule, n in self.began.items() if rule in WARNINGS or rule == "freezing") if self.healthy else 0


def judge(vehicle: Vehicle) -> Judged:
    """Fold the vehicle's life and compare what was said with what was true."""
    limit = vehicle.battery.limit_pct
    done = Judged(vehicle.battery.id, vehicle.battery.chemistry, vehicle.kind, vehicle.measures_current, vehicle.has_table, 0, 100, limit)
    state, last_ms, first_ms, above = begin(vehicle.battery), None, None, False
    open_: dict[str, tuple[str, int]] = {}
    for told in vehicle.life:
        first_ms = told.at_ms if first_ms is None else first_ms
        state, events = _lived(state, told, last_ms)
        for event in events:
            if event.kind == "began":
                _began(done, event.rule, event.priority, event.at_ms, event.reason, told.true_pct)
                open_[event.alert_id] = (event.rule, event.at_ms)
            elif event.kind == "ended":
                _, began_ms = open_.pop(event.alert_id)
                done.stale += event.at_ms - began_ms > 30 * DAY_MS
        done.lowest_pct = min(done.lowest_pct, told.true_pct)
        above = above or told.true_pct >= limit
        if above and told.true_pct < limit and done.crossed_ms is None:
            _crossed(done, told.at_ms, first_ms, last_ms, open_)
        last_ms = told.at_ms if told.reading is not None else last_ms
        done.days = (told.at_ms - first_ms) / DAY_MS
    done.stale += sum(state.last_ms is not None and state.last_ms - ms > 30 * DAY_MS for _, ms in open_.values())
    return done


def _lived(state: State, told: Told, last_ms: int | None) -> tuple[State, list[AlertEvent]]:
    """One step of a life folded."""
    events: list[AlertEvent] = []
    for given in _inputs(state, told, last_ms):
        state, outcome = step(state, given)
        events.extend(outcome.events)
    return state, events


def _inputs(state: State, told: Told, last_ms: int | None) -> Iterator[Reading | Tick]:
    """A running service ticks more often; after three silent hours, once a step is enough to judge a silence here."""
    if told.reading is not None:
        yield told.reading
    elif last_ms is not None and told.at_ms - last_ms > 3 * HOUR_MS:
        yield Tick(state.battery.id, told.at_ms)


def _began(done: Judged, rule: str, priority: str, at_ms: int, reason: str, true_pct: float) -> None:
    done.began[rule] += 1
    done.priorities[priority] += 1
    done.days_of_alarms[at_ms // DAY_MS] += 1
    done.chattering += "chattering" in reason
    if rule in WARNINGS and done.warned_pct is None:
        done.warned_pct = true_pct - done.limit_pct


def _crossed(done: Judged, at_ms: int, first_ms: int, last_ms: int | None, open_: dict[str, tuple[str, int]]) -> None:
    done.crossed_ms, done.crossed_day = at_ms, (at_ms - first_ms) / DAY_MS
    done.heard = last_ms is not None and at_ms - last_ms <= 7 * DAY_MS
    warned = [ms for rule, ms in open_.values() if rule in WARNINGS]
    done.lead_h = (at_ms - min(warned)) / HOUR_MS if warned else None
    if last_ms is not None and at_ms - last_ms > DAY_MS:
        done.silent_said = any(rule == "silence" and ms - last_ms <= DAY_MS for rule, ms in open_.values())


@dataclass(slots=True)
class Totals:
    """The figures of a fleet."""

    vehicles: int
    events: int
    heard: int
    warned: int
    median_lead_h: float | None
    early_events: int
    """Events in the first five days: no line can be drawn yet."""
    early_warned: int
    not_heard: int
    silent_said: int
    healthy: int
    false_per_month: float
    alarms_mean: float
    alarms_worst: float
    """Alarms on the worst day for 1,000 vehicles."""
    priorities: dict[str, float]
    chattering: int
    stale: int
    began: dict[str, int]
    healthy_began: dict[str, int]
    healthy_months: float
    needless_per_month: float
    """Alerts of all rules, the justified ones aside, for each month of a healthy vehicle."""

    def healthy_per_month(self) -> dict[str, float]:
        """Alerts by rule for each month of a healthy vehicle, the most frequent first."""
        if not self.healthy_months:
            return {}
        return {rule: n / self.healthy_months for rule, n in sorted(self.healthy_began.items(), key=lambda x: -x[1])}

    @property
    def warned_share(self) -> float:
        return self.warned / self.heard if self.heard else 1.0


def totals(fleet: list[Judged], lead_h: float = 72.0, earliest_day: float = 6.0) -> Totals:
    """Count a fleet. An event counts as warned if the warning that stood had begun `lead_h` before."""
    crossed = [j for j in fleet if j.crossed_day is not None]
    late = [j for j in crossed if (j.crossed_day or 0) >= earliest_day]
    early = [j for j in crossed if (j.crossed_day or 0) < earliest_day]
    heard = [j for j in late if j.heard]
    leads = [j.lead_h for j in heard if j.lead_h is not None]
    quiet = [j for j in crossed if j.silent_said is not None]
    healthy = [j for j in fleet if j.healthy]
    months = sum(j.days for j in healthy) / 30
    by_day: Counter[int] = Counter()
    priorities: Counter[str] = Counter()
    began: Counter[str] = Counter()
    for j in fleet:
        by_day.update(j.days_of_alarms)
        priorities.update(j.priorities)
        began.update(j.began)
    alarms, days = sum(priorities.values()), max((j.days for j in fleet), default=1) or 1
    return Totals(
        len(fleet), len(crossed), len(heard), sum(x >= lead_h for x in leads), median(leads) if leads else None,
        len(early), sum(j.lead_h is not None for j in early), len(quiet), sum(j.silent_said is True for j in quiet), len(healthy),
        sum(j.false_alarms for j in healthy) / months if months else 0.0, 1000 * alarms / days / max(1, len(fleet)),
        1000 * max(by_day.values(), default=0) / max(1, len(fleet)), {p: n / alarms for p, n in priorities.items()},
        sum(j.chattering for j in fleet), sum(j.stale for j in fleet), dict(began),
        dict(sum((j.began for j in healthy), Counter())), months,
        sum(j.needless.total() for j in healthy) / months if months else 0.0,
    )  # fmt: skip
