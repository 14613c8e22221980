"""`python -m tests.backtest`: a fleet's winter and two summers, with a progress bar, and the figures against their targets."""

import argparse
import json
import os
import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table

from tests.backtest.fleet import AS_IT_COMES, HANDICAPS, Handicap, stored, used
from tests.backtest.score import ALARMS_A_DAY, HIGH_SHARE, JUSTIFIED, NEEDLESS_A_MONTH, Judged, Totals, judge, totals

AS_IS, SUMMERS = "as it comes", "two summers in use"
WARNED = 0.98
"""Of a fleet of which little is known. Judgement: sixty vehicles have some forty events."""
Given = tuple[int, int, int, Handicap]


def winter(given: Given) -> Judged:
    number, seed, days, handicap = given
    return judge(stored(number, seed, days, handicap))


def summer(given: Given) -> Judged:
    number, seed, days, _ = given
    return judge(used(number, seed, days))


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--vehicles", type=int, default=1000)
    p.add_argument("--days", type=int, default=120)
    p.add_argument("--tours", type=int, default=20, help="vehicles in each of the two summers")
    p.add_argument("--tour-days", type=int, default=45)
    p.add_argument("--handicapped", type=int, default=60, help="vehicles in each winter of which less is known")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--only", type=int, nargs="*", help="these vehicles of each fleet, by number, and no others")
    p.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    p.add_argument("--json", action="store_true")
    p.add_argument("--misses", action="store_true", help="name the events that were not warned of and the false alarms")
    a = p.parse_args()
    console = Console(stderr=a.json)
    work: dict[str, tuple[Callable[[Given], Judged], list[Given]]] = {
        AS_IS: (winter, [(i, a.seed, a.days, AS_IT_COMES) for i in range(a.vehicles)]),
        **{n: (winter, [(i, a.seed + 7, a.days, h) for i in range(a.handicapped)]) for n, h in HANDICAPS.items() if h != AS_IT_COMES},
        SUMMERS: (summer, [(i, a.seed + s, a.tour_days, AS_IT_COMES) for s in range(2) for i in range(a.tours)]),
    }
    if a.only is not None:
        work = {name: (made, [g for g in given if g[0] in a.only]) for name, (made, given) in work.items()}
    with (
        ProcessPoolExecutor(a.jobs) as pool,
        Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), console=console
        ) as progress,
    ):  # fmt: skip
        bars = {name: progress.add_task(name, total=len(given)) for name, (_, given) in work.items() if given}
        asked = {name: pool.map(work[name][0], work[name][1], chunksize=2) for name in bars}
        fleets = {name: _watched(progress, bars[name], results) for name, results in asked.items()}
    cold, warm = totals(fleets.get(AS_IS, [])), totals(fleets.get(SUMMERS, []), lead_h=2.0, earliest_day=0.25)
    blinded = {name: totals(fleet) for name, fleet in fleets.items() if name in HANDICAPS}
    if a.json:
        print(json.dumps({"winter": asdict(cold), "summers": asdict(warm), **{n: asdict(t) for n, t in blinded.items()}}, indent=1))
    else:
        _show(console, cold, warm)
        both = totals([judged for name in (AS_IS, SUMMERS) for judged in fleets.get(name, [])])
        console.print(
            f"Winter and summers together: {both.false_per_month:.3f} false alarms per month of a vehicle that is healthy or on tour."
        )
        _show_rules(console, cold, warm)
        _show_groups(console, fleets)
    if a.misses:
        for name, fleet in fleets.items():
            _show_misses(console, name, fleet, *((2.0, 0.25) if name == SUMMERS else (72.0, 6.0)))
    return 0 if _reached(cold, warm, blinded) else 1


def _reached(cold: Totals, warm: Totals, blinded: dict[str, Totals]) -> bool:
    """The targets of all fleets."""
    foreseen = all(t.warned_share >= (1.0 if t is cold else WARNED) for t in (cold, warm, *blinded.values()))
    true = all(t.false_per_month <= 0.05 for t in (cold, warm, *blinded.values()))
    quiet = all(
        t.alarms_worst <= ALARMS_A_DAY and t.priorities.get("high", 0.0) <= HIGH_SHARE and t.chattering == 0 for t in (cold, warm)
    )  # fmt: skip
    return foreseen and true and quiet and cold.silent_said == cold.not_heard and cold.needless_per_month <= NEEDLESS_A_MONTH


def _watched(progress: Progress, task: TaskID, results: Iterable[Judged]) -> list[Judged]:
    out = []
    for one in results:
        out.append(one)
        progress.advance(task)
    return out


def _show(console: Console, cold: Totals, warm: Totals) -> None:
    table = Table("figure", "winter", "two summers", "target")
    share = "{:.1%}".format
    lines: tuple[tuple[str, Callable[[Totals], str], str], ...] = (
        ("vehicles", lambda t: str(t.vehicles), ""),
        ("damaging events", lambda t: str(t.events), ""),
        ("of these averted by an owner who was warned", lambda t: str(t.averted), ""),
        ("of these heard from in the week before", lambda t: str(t.heard), ""),
        ("warned 72 h (2 h in use) before", lambda t: f"{t.warned} ({share(t.warned_share)})", "100 %"),
        ("median lead, hours", lambda t: "-" if t.median_lead_h is None else f"{t.median_lead_h:.0f}", ""),
        ("events before a line could be drawn", lambda t: f"{t.early_events} ({t.early_warned} warned)", ""),
        ("events in a silence, said within a day", lambda t: f"{t.silent_said} of {t.not_heard}", "all"),
        ("healthy vehicles", lambda t: str(t.healthy), ""),
        ("false alarms per vehicle-month", lambda t: f"{t.false_per_month:.3f}", "≤ 0.05"),
        ("needless alerts of all rules per vehicle-month", lambda t: f"{t.needless_per_month:.3f}", f"≤ {NEEDLESS_A_MONTH}"),
        ("alarms a day for 1,000 vehicles, mean", lambda t: f"{t.alarms_mean:.1f}", f"≤ {ALARMS_A_DAY}"),
        ("alarms a day for 1,000 vehicles, worst", lambda t: f"{t.alarms_worst:.0f}", f"≤ {ALARMS_A_DAY}"),
        (
            "high / medium / low",
            lambda t: " / ".join(share(t.priorities.get(k, 0)) for k in ("high", "medium", "low")),
            f"high ≤ {HIGH_SHARE:.0%}",
        ),
        ("chattering", lambda t: str(t.chattering), "0"),
        ("standing for more than 30 days (each asks for an act)", lambda t: _counted(t.stale), ""),
        ("alerts by rule", lambda t: _counted(t.began), ""),
    )
    for name, value, target in lines:
        table.add_row(name, value(cold), value(warm), target)
    console.print(table)


def _show_rules(console: Console, cold: Totals, warm: Totals) -> None:
    """Every rule that spoke on a healthy vehicle, for each vehicle-month."""
    table = Table("healthy vehicles: rule", "winter, per month", "two summers, per month", "")
    months, summers = cold.healthy_per_month(), warm.healthy_per_month()
    for rule in dict.fromkeys((*months, *summers)):
        said = "justified" if rule in JUSTIFIED else ""
        table.add_row(rule, f"{months.get(rule, 0.0):.3f}", f"{summers.get(rule, 0.0):.3f}", said)
    table.add_row("vehicle-months", f"{cold.healthy_months:.1f}", f"{warm.healthy_months:.1f}", "")
    console.print(table)


def _show_groups(console: Console, fleets: dict[str, list[Judged]]) -> None:
    table = Table(
        "winter: group", "events heard", "warned 72 h before", "median lead h", "healthy", "false per month", "needless per month"
    )
    fleet = fleets.get(AS_IS, [])
    groups = {
        "current measured": [j for j in fleet if j.measures_current],
        "voltage only": [j for j in fleet if not j.measures_current],
        "own table, up to 50 mV off": [j for j in fleet if j.has_table],
        "no table": [j for j in fleet if not j.has_table],
        **{c: [j for j in fleet if j.chemistry == c] for c in sorted({j.chemistry for j in fleet})},
        **{k: [j for j in fleet if j.kind == k] for k in sorted({j.kind for j in fleet})},
        **{f"all: {name}": some for name, some in fleets.items() if name in HANDICAPS},
    }
    for name, some in groups.items():
        t = totals(some)
        lead = "-" if t.median_lead_h is None else f"{t.median_lead_h:.0f}"
        said = f"{t.warned} ({t.warned_share:.1%})"
        table.add_row(name, str(t.heard), said, lead, str(t.healthy), f"{t.false_per_month:.3f}", f"{t.needless_per_month:.3f}")
    console.print(table)


def _counted(counts: dict[str, int]) -> str:
    return ", ".join(f"{k} {n}" for k, n in sorted(counts.items(), key=lambda x: -x[1])) or "none"


def _show_misses(console: Console, name: str, fleet: list[Judged], lead_h: float, earliest_day: float) -> None:
    for j in fleet:
        missed = [e for e in j.events if e.day >= earliest_day and e.heard and (e.lead_h is None or e.lead_h < lead_h)]
        if missed or j.false_alarms or j.needless or j.chattering:
            what = "false" if j.false_alarms else "needless" if j.needless else "chattering"
            what = f"missed on day {missed[0].day:.1f}, lead {missed[0].lead_h}" if missed else what
            told = {k: n for k, n in j.began.items() if k not in JUSTIFIED}
            console.print(
                name, what, j.battery_id, j.chemistry, j.kind, j.measures_current, j.has_table, f"lowest {j.lowest_pct:.0f}", told,
                soft_wrap=True,
            )  # fmt: skip


if __name__ == "__main__":
    sys.exit(main())
