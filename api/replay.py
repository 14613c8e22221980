"""`restvolt replay`: fold a recording and write what was believed (`assessments.csv`) and what was told (`alerts.jsonl`)."""

import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import orjson

from analytics.assessment import AlertEvent, Outcome
from analytics.battery import Battery
from analytics.core import State, begin
from analytics.fold import JUMP_MS, fold
from analytics.reading import Reading, Tick
from api.recording import EPOCH_MS, Recording

COLUMNS = ("state_of_charge_pct", "state_of_charge_low_pct", "state_of_charge_high_pct", "charge_phase", "anchor")


@dataclass(slots=True)
class Replayed:
    """What a replay did, for the person and for machines."""

    rows: int = 0
    rejected: list[tuple[int, str]] = field(default_factory=list)
    late: int = 0
    long_ago: int = 0
    """Of the late ones those that a clock which jumped back may have dated."""
    future: int = 0
    duplicate: int = 0
    began: Counter[str] = field(default_factory=Counter)
    events: list[AlertEvent] = field(default_factory=list)
    seconds: float = 0.0
    state: State | None = None
    last: Outcome | None = None


def replay(
    readings: Path, battery: Battery, out: Path | None, until_s: float | None = None, story: "list[Outcome] | None" = None
) -> Replayed:
    """Fold the recording; `story` collects the outcomes in which something happened. Raises SettingsError for an unusable file."""
    recording = Recording(readings, battery.id)
    done = Replayed()
    until_ms = None if until_s is None else EPOCH_MS + round(until_s * 1000)
    began = time.perf_counter()
    if out is None:
        _run(recording, battery, done, until_ms, None, None, story)
    else:
        out.mkdir(parents=True, exist_ok=True)
        with (out / "assessments.csv").open("w", encoding="utf-8", newline="") as table, (out / "alerts.jsonl").open("wb") as alerts:
            table.write(",".join(("time_s" if recording.in_seconds else "time", *COLUMNS)) + "\n")
            _run(recording, battery, done, until_ms, table, alerts, story)
    done.seconds = time.perf_counter() - began
    done.rows, done.rejected = recording.rows, recording.rejected
    return done


def _run(
    recording: Recording, battery: Battery, done: Replayed, until_ms: int | None, table: IO[str] | None, alerts: IO[bytes] | None,
    story: "list[Outcome] | None",
) -> None:  # fmt: skip
    in_seconds, time_of = recording.in_seconds, recording.time_of
    anchor = None
    for state, given, outcome in fold(begin(battery), recording, until_ms):
        if outcome.events:
            _told(outcome, done, recording, alerts)
        done.state, done.last = state, outcome
        if type(given) is Tick:
            continue
        a = outcome.assessment
        if outcome.ignored is not None:
            if outcome.ignored == "late":
                done.late += 1
                done.long_ago += state.last_ms is not None and state.last_ms - a.at_ms > JUMP_MS
            elif outcome.ignored == "future":
                done.future += 1
            else:
                done.duplicate += 1
            continue
        new_anchor = a.anchor is not anchor and a.anchor is not None
        anchor = a.anchor
        if story is not None and (new_anchor or outcome.events):
            story.append(outcome)
        if table is not None:
            at = f"{(a.at_ms - EPOCH_MS) / 1000:.10g}" if in_seconds else time_of(a.at_ms)
            kind = a.anchor.kind if new_anchor and a.anchor is not None else ""
            if a.state_of_charge_pct is None:
                table.write(f"{at},,,,{a.charge_phase},{kind}\n")
            else:
                table.write(
                    f"{at},{a.state_of_charge_pct:.2f},{a.state_of_charge_low_pct:.2f},{a.state_of_charge_high_pct:.2f},{a.charge_phase},{kind}\n"
                )


def _told(outcome: Outcome, done: Replayed, recording: Recording, alerts: IO[bytes] | None) -> None:
    for event in outcome.events:
        done.events.append(event)
        if event.kind == "began":
            done.began[event.rule] += 1
        if alerts is not None:
            alerts.write(orjson.dumps(as_line(event, recording)) + b"\n")


def as_line(event: AlertEvent, recording: Recording) -> dict[str, object]:
    """One line of alerts.jsonl."""
    stamp: dict[str, object] = {"time": recording.time_of(event.at_ms)}
    if recording.in_seconds:
        stamp = {"time_s": (event.at_ms - EPOCH_MS) / 1000}
    finding = event.finding
    return {
        **stamp,
        "battery_id": event.battery_id,
        "rule": event.rule,
        "event": event.kind,
        "priority": event.priority,
        "evidence": dict(finding.evidence),
        "alert_id": event.alert_id,
        "reason": event.reason,
        "title": finding.title,
        "seen": finding.seen,
        "meaning": finding.meaning,
        "advice": finding.advice,
        "caution": finding.caution,
        "source": finding.source,
    }


__all__ = ["Reading", "Replayed", "replay"]
