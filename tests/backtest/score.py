"""One vehicle folded and judged; many vehicles counted. Times in hours unless the name says otherwise."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from statistics import median
from typing import NamedTuple

from analytics.assessment import AlertEvent
from analytics.core import State, begin, step
from analytics.reading import Reading, Tick
from tests.backtest.fleet import Life, Told, Vehicle

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
STALE_MS = 30 * DAY_MS
WARNINGS = frozenset(("forecast_low", "low_voltage", "deep_discharge"))
"""The rules that say: it goes, or is, below the safe limit."""
JUSTIFIED = frozenset(("silence", "check_due", "refresh_due", "charge_lithium_cold"))
"""True also of a healthy vehicle: the sensors here do fall silent, reminders are due when they are due, and lithium that a panel charges in
frost is being harmed, however full it is."""
FILLED_PCT, FILLED_MS = 97.0, 7 * DAY_MS
"""That no charge was to full is true, and worth a word, of a battery that in truth was never so full in the week before: a small panel in
winter does not fill it."""
NEEDLESS_A_MONTH = 0.05
"""All rules together. Judgement: one needless message in twenty months is forgiven."""
ALARMS_A_DAY = 150
"""About one in ten minutes is very likely acceptable for one operator, twice as many the most that can be managed (EEMUA 191 and
IEC 62682 in secondary sources: controlglobal.com, chemengonline.com; the standards themselves were not read)."""
HIGH_SHARE = 0.05
"""Priorities of about 80 % low, 15 % medium, 5 % high (same sources)."""
HEALTHY_PCT = 12.0
"""A stored vehicle that never comes within so many points of its limit in the whole time is healthy."""
AGAIN_PCT = 10.0
"""Judgement: a fall below the limit is a new event once the battery had been charged so many points above it."""
OFTEN = 3
"""Judgement: an alert that begins three times within a day chatters, whatever the product itself says of it."""
AHEAD_H = 24.0
NEAR_PCT = 5.0
"""A warning on tour was false if the battery, with nobody plugging anything in, had not come within so many points of its limit in the day
after. Judgement: a day holds a night, and a warning that comes true within it gives time for one trip to a socket; an owner who charges
because of the warning is its success. No estimate from current and voltage is better than five points all the time."""


class Event(NamedTuple):
    """The true state of charge fell below the limit."""

    day: float
    """Days after the beginning."""
    heard: bool
    """Heard from in the week before."""
    lead_h: float | None
    """How long before it the warning that still stood then had begun."""
    silent_said: bool | None
    """Not heard from for a day: whether it was said to be silent within a day."""


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
    events: list[Event] = field(default_factory=list)
    averted: int = 0
    """Falls below the limit that a warning foretold and the owner's charge prevented (on tour)."""
    false_on_tour: int = 0
    began: Counter[str] = field(default_factory=Counter)
    priorities: Counter[str] = field(default_factory=Counter)
    days_of_alarms: Counter[int] = field(default_factory=Counter)
    begun: dict[str, list[int]] = field(default_factory=dict)
    """When each rule's alerts began, milliseconds."""
    chattering: int = 0
    stale: Counter[str] = field(default_factory=Counter)
    """Alerts that stood for more than 30 days, by rule."""
    unfilled: int = 0
    """How often it was said that no charge was to full, and true."""
    filled_ms: int = 0
    """When it was last nearly full in truth."""

    @property
    def needless(self) -> Counter[str]:
        """Alerts that a healthy vehicle should not have raised, by rule.

        A warning on tour is needless where it was false (`AHEAD_H`, `NEAR_PCT`), and not where the battery stayed healthy because its
        owner heard the warning and charged: an alarm is what asks for a timely response, a nuisance what asks for none (the terms of
        IEC 62682 and EEMUA 191, in the same secondary sources).
        """
        if not self.healthy:
            return Counter()
        true = Counter({"charge_never_full": self.unfilled})
        if self.kind == "used":
            true += Counter({"forecast_low": max(0, self.began["forecast_low"] - self.false_on_tour)})
        return Counter({rule: n for rule, n in self.began.items() if rule not in JUSTIFIED}) - true

    @property
    def healthy(self) -> bool:
        return self.lowest_pct > self.limit_pct + HEALTHY_PCT

    @property
    def false_alarms(self) -> int:
        if self.kind == "used":
            return self.false_on_tour
        return sum(n for rule, n in self.began.items() if rule in WARNINGS or rule == "freezing") if self.healthy else 0


def judge(vehicle: Vehicle) -> Judged:
    """Fold the vehicle's life and compare what was said with what was true."""
    limit = vehicle.battery.limit_pct
    done = Judged(vehicle.battery.id, vehicle.battery.chemistry, vehicle.kind, vehicle.measures_current, vehicle.has_table, 0, 100, limit)
    state, last_ms, first_ms, above = begin(vehicle.battery), None, None, False
    open_: dict[str, tuple[str, int]] = {}
    for told in vehicle.life:
        done.filled_ms = told.at_ms if told.true_pct >= FILLED_PCT else done.filled_ms
        first_ms = told.at_ms if first_ms is None else first_ms
        state, events = _lived(state, told, last_ms)
        for event in events:
            if event.kind == "began":
                _began(done, vehicle, event)
                open_[event.alert_id] = (event.rule, event.at_ms)
            elif event.kind == "ended":
                _, began_ms = open_.pop(event.alert_id)
                done.stale[event.rule] += event.at_ms - began_ms > STALE_MS
        done.lowest_pct = min(done.lowest_pct, told.true_pct)
        if above and told.true_pct < limit:
            done.events.append(_crossed(told.at_ms, first_ms, last_ms, open_))
            above = False
        above = above or told.true_pct >= limit + (AGAIN_PCT if done.events else 0.0)
        last_ms = told.at_ms if told.reading is not None else last_ms
        done.days = (told.at_ms - first_ms) / DAY_MS
    for rule, began_ms in open_.values():
        done.stale[rule] += state.last_ms is not None and state.last_ms - began_ms > STALE_MS
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


def _began(done: Judged, vehicle: Vehicle, event: AlertEvent) -> None:
    done.began[event.rule] += 1
    done.priorities[event.priority] += 1
    done.days_of_alarms[event.at_ms // DAY_MS] += 1
    begun = done.begun.setdefault(event.rule, [])
    begun.append(event.at_ms)
    done.chattering += "chattering" in event.reason or (len(begun) >= OFTEN and begun[-1] - begun[-OFTEN] < DAY_MS)
    done.unfilled += event.rule == "charge_never_full" and event.at_ms - done.filled_ms > FILLED_MS
    if event.rule in WARNINGS and isinstance(vehicle.life, Life) and vehicle.kind == "used":
        lowest_pct = vehicle.life.lowest_pct_if_left_alone(AHEAD_H)
        done.false_on_tour += lowest_pct > done.limit_pct + NEAR_PCT
        done.averted += event.rule == "forecast_low" and lowest_pct < done.limit_pct
        vehicle.life.hear()


def _crossed(at_ms: int, first_ms: int, last_ms: int | None, open_: dict[str, tuple[str, int]]) -> Event:
    heard = last_ms is not None and at_ms - last_ms <= 7 * DAY_MS
    warned = [ms for rule, ms in open_.values() if rule in WARNINGS]
    said = None
    if last_ms is not None and at_ms - last_ms > DAY_MS:
        said = any(rule == "silence" and ms - last_ms <= DAY_MS for rule, ms in open_.values())
    return Event((at_ms - first_ms) / DAY_MS, heard, (at_ms - min(warned)) / HOUR_MS if warned else None, said)


@dataclass(slots=True)
class Totals:
    """The figures of a fleet."""

    vehicles: int
    events: int
    averted: int
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
    stale: dict[str, int]
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
    crossed = [e for j in fleet for e in j.events]
    early = [e for e in crossed if e.day < earliest_day]
    heard = [e for e in crossed if e.day >= earliest_day and e.heard]
    leads = [e.lead_h for e in heard if e.lead_h is not None]
    quiet = [e for e in crossed if e.silent_said is not None]
    healthy = [j for j in fleet if j.healthy]
    months = sum(j.days for j in healthy) / 30
    false_months = sum(j.days for j in fleet if j.healthy or j.kind == "used") / 30
    by_day: Counter[int] = Counter()
    for j in fleet:
        by_day.update(j.days_of_alarms)
    priorities, began, stale = (_sum(fleet, name) for name in ("priorities", "began", "stale"))
    alarms, days = sum(priorities.values()), max((j.days for j in fleet), default=1) or 1
    return Totals(
        len(fleet), len(crossed), sum(j.averted for j in fleet), len(heard), sum(x >= lead_h for x in leads), median(leads) if leads else None,
        len(early), sum(e.lead_h is not None for e in early), len(quiet), sum(e.silent_said is True for e in quiet), len(healthy),
        sum(j.false_alarms for j in fleet) / false_months if false_months else 0.0, 1000 * alarms / days / max(1, len(fleet)),
        1000 * max(by_day.values(), default=0) / max(1, len(fleet)), {p: n / alarms for p, n in priorities.items()},
        sum(j.chattering for j in fleet), {k: n for k, n in stale.items() if n}, dict(began), dict(_sum(healthy, "began")), months,
        sum(j.needless.total() for j in healthy) / months if months else 0.0,
    )  # fmt: skip


def _sum(fleet: list[Judged], name: str) -> Counter[str]:
    total: Counter[str] = Counter()
    for j in fleet:
        total.update(getattr(j, name))
    return total
