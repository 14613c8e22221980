"""A ledger and a history in memory, by hand, for tests of the web. They do what the ports promise and nothing more."""

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from analytics.assessment import AlertEvent, Assessment
from analytics.batch import Batch, DeadLetter
from analytics.battery import Battery
from analytics.reading import Note, Reading
from api.ports import Alert, AlertAct, Columns, Delivery, Message


class MemoryLedger:
    """A `Ledger`. Alerts are put in ready-made by the test."""

    def __init__(self, now_ms: Callable[[], int]) -> None:
        self.now_ms = now_ms
        self.declared: dict[str, list[tuple[int, str, Battery]]] = {}
        self.states: dict[str, Assessment] = {}
        self.kept_alerts: dict[str, Alert] = {}
        self.kept_acts: dict[str, list[AlertAct]] = {}
        self.kept_notes: list[Note] = []
        self.kept_deliveries: list[Delivery] = []

    def commit(self, batch: Batch) -> None:
        self.states.update(batch.latest)
        self.kept_notes += batch.notes

    def batteries(self) -> list[Battery]:
        return [rows[-1][2] for rows in self.declared.values()]

    def battery(self, battery_id: str) -> Battery | None:
        rows = self.declared.get(battery_id)
        return rows[-1][2] if rows else None

    def declare(self, battery: Battery, at_ms: int, who: str) -> None:
        self.declared.setdefault(battery.id, []).append((at_ms, who, battery))

    def declarations(self, battery_id: str) -> list[tuple[int, str, Battery]]:
        return self.declared.get(battery_id, [])

    def latest(self, battery_id: str) -> Assessment | None:
        return self.states.get(battery_id)

    def resume(self, battery_id: str, before_ms: int | None = None) -> tuple[int, bytes] | None:
        return None

    def alerts(
        self,
        battery_id: str | None = None,
        *,
        active: bool | None = None,
        rule: str | None = None,
        after_id: str | None = None,
        limit: int = 100,
    ) -> list[Alert]:
        found = sorted(self.kept_alerts.values(), key=lambda a: (-a.began_ms, a.id))
        if after_id is not None:
            found = found[[a.id for a in found].index(after_id) + 1 :]
        return [
            a
            for a in found
            if (battery_id is None or a.battery_id == battery_id)
            and (active is None or (a.ended_ms is None) == active)
            and (rule is None or a.rule == rule)
        ][:limit]

    def alert(self, alert_id: str) -> Alert | None:
        return self.kept_alerts.get(alert_id)

    def acts(self, alert_id: str) -> list[AlertAct]:
        return self.kept_acts.get(alert_id, [])

    def put_alert(self, alert: Alert) -> None:
        self.kept_alerts[alert.id] = alert
        acts = [AlertAct(alert.began_ms, "began", "", "condition held for 600 s")]
        if alert.acknowledged_ms is not None:
            acts.append(AlertAct(alert.acknowledged_ms, "acknowledged", alert.acknowledged_by or "", ""))
        if alert.ended_ms is not None:
            acts.append(AlertAct(alert.ended_ms, "ended", "", "condition gone for 1800 s"))
        self.kept_acts[alert.id] = acts

    def acknowledge(self, alert_id: str, at_ms: int, who: str) -> Alert:
        alert = self.kept_alerts[alert_id]
        state = "acknowledged" if alert.ended_ms is None else "normal"
        self.kept_alerts[alert_id] = replace(alert, state=state, acknowledged_ms=at_ms, acknowledged_by=who)
        self.kept_acts.setdefault(alert_id, []).append(AlertAct(at_ms, "acknowledged", who, ""))
        return self.kept_alerts[alert_id]

    def shelve(self, alert_id: str, at_ms: int, until_ms: int, who: str, reason: str) -> Alert:
        alert = replace(self.kept_alerts[alert_id], shelved_until_ms=until_ms, shelved_by=who, shelved_reason=reason)
        self.kept_alerts[alert_id] = alert
        self.kept_acts.setdefault(alert_id, []).append(AlertAct(at_ms, "shelved", who, reason))
        return alert

    def notes(self, battery_id: str, from_ms: int = 0) -> list[Note]:
        return [n for n in self.kept_notes if n.battery_id == battery_id and n.at_ms >= from_ms]

    def events_to_tell(self, limit: int = 100) -> list[tuple[int, AlertEvent, bool]]:
        return []

    def told(self, numbers: Sequence[int], deliveries: Sequence[tuple[str, Message, int]]) -> None:
        raise NotImplementedError

    def due(self, now_ms: int, limit: int = 20) -> list[Delivery]:
        return []

    def tried(self, delivery_id: int, at_ms: int, state: str, due_ms: int, error: str | None) -> None:
        raise NotImplementedError

    def dead_letters(self, limit: int = 100) -> list[DeadLetter]:
        return []


Sample = tuple[int, float, float | None, float | None, float, float, float, str]
"""time_ms, voltage_v, current_a, temperature_c, state of charge with its low and high end, charge phase."""

NAMES = ("voltage_v", "current_a", "temperature_c", "state_of_charge_pct", "state_of_charge_low_pct", "state_of_charge_high_pct")


class MemoryHistory:
    """A `History`: samples are joined to points by their mean; where nothing came there is a row of None."""

    def __init__(self) -> None:
        self.samples: dict[str, list[Sample]] = {}

    def read(self, battery_id: str, from_ms: int, to_ms: int, points: int) -> Columns:
        every_ms = max(60_000, -(-(to_ms - from_ms) // points))
        joined: dict[int, list[Sample]] = {}
        samples = self.samples.get(battery_id, [])
        for sample in samples[bisect_left(samples, (from_ms,)) : bisect_left(samples, (to_ms,))]:  # type: ignore[arg-type]
            joined.setdefault((sample[0] - from_ms) // every_ms, []).append(sample)
        times: list[int] = []
        values: dict[str, list[float | None]] = {name: [] for name in (*NAMES, "voltage_v_min", "voltage_v_max")}
        phases: list[str | None] = []
        last: int | None = None
        for number in sorted(joined):
            if last is not None and number - last > 3:
                times.append(from_ms + (last + 1) * every_ms)
                phases.append(None)
                for column in values.values():
                    column.append(None)
            last = number
            group = joined[number]
            times.append(from_ms + number * every_ms)
            phases.append(group[-1][7])
            for i, name in enumerate(NAMES, start=1):
                seen = [s[i] for s in group if s[i] is not None]
                values[name].append(sum(seen) / len(seen) if seen else None)  # type: ignore[arg-type]
            values["voltage_v_min"].append(min(s[1] for s in group))
            values["voltage_v_max"].append(max(s[1] for s in group))
        return Columns(times, every_ms, values, phases)

    def readings(self, battery_id: str, from_ms: int, to_ms: int | None = None) -> Iterator[Reading]:
        for s in self.samples.get(battery_id, []):
            if s[0] >= from_ms and (to_ms is None or s[0] < to_ms):
                yield Reading(battery_id, s[0], s[1], s[2], s[3])

    def last_ms(self, battery_id: str) -> int | None:
        samples = self.samples.get(battery_id)
        return samples[-1][0] if samples else None
