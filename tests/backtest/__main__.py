"""`python -m tests.backtest`: a fleet's winter and two summers, with a progress bar, and the figures against their targets."""

import argparse
import json
import sys
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from tests.backtest.fleet import stored, used
from tests.backtest.score import ALARMS_A_DAY, HIGH_SHARE, JUSTIFIED, NEEDLESS_A_MONTH, WARNINGS, Judged, Totals, judge, totals


def winter(given: tuple[int, int, int]) -> Judged:
    number, seed, days = given
    return judge(stored(number, seed, days))


def summer(given: tuple[int, int, int]) -> Judged:
    number, seed, days = given
    return judge(used(number, seed, days))


def main() -> int:
    p = argparse.ArgumentParser(description=__doc__)
    p.add_argument("--vehicles", type=int, default=1000)
    p.add_argument("--days", type=int, default=120)
    p.add_argument("--tours", type=int, default=20, help="vehicles in each of the two summers")
    p.add_argument("--tour-days", type=int, default=45)
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--jobs", type=int, default=2)
    p.add_argument("--json", action="store_true")
    p.add_argument("--misses", action="store_true", help="name the events that were not warned of and the false alarms")
    a = p.parse_args()
    console = Console(stderr=a.json)
    stores = [(i, a.seed, a.days) for i in range(a.vehicles)]
    tours = [(i, a.seed + s, a.tour_days) for s in range(2) for i in range(a.tours)]
    with (
        ProcessPoolExecutor(a.jobs) as pool,
        Progress(
            TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), console=console
        ) as progress,
    ):  # fmt: skip
        winters = _watched(progress, "winter in storage", pool.map(winter, stores, chunksize=4), len(stores))
        summers = _watched(progress, "two summers in use", pool.map(summer, tours), len(tours))
    cold, warm = totals(winters), totals(summers, lead_h=2.0, earliest_day=0.25)
    if a.json:
        print(json.dumps({"winter": asdict(cold), "summers": asdict(warm)}, indent=1))
    else:
        _show(console, cold, warm)
        _show_rules(console, cold, warm)
        _show_groups(console, winters)
    if a.misses:
        _show_misses(console, winters, 72.0, 6.0)
        _show_misses(console, summers, 2.0, 0.25)
    return 0 if _reached(cold) else 1


def _reached(cold: Totals) -> bool:
    """The targets of the winter."""
    warned = cold.warned_share == 1.0 and cold.silent_said == cold.not_heard
    quiet = cold.alarms_worst <= ALARMS_A_DAY and cold.priorities.get("high", 0.0) <= HIGH_SHARE and cold.chattering == 0
    return warned and quiet and cold.false_per_month <= 0.05 and cold.needless_per_month <= NEEDLESS_A_MONTH


def _watched(progress: Progress, name: str, results: Iterable[Judged], total: int) -> list[Judged]:
    task = progress.add_task(name, total=total)
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
        ("standing for more than 30 days", lambda t: str(t.stale), ""),
        ("alerts by rule", lambda t: ", ".join(f"{k} {n}" for k, n in sorted(t.began.items(), key=lambda x: -x[1])), ""),
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


def _show_groups(console: Console, fleet: list[Judged]) -> None:
    table = Table("winter: group", "events heard", "warned 72 h before", "median lead h", "healthy", "false per month")
    groups = {
        "current measured": [j for j in fleet if j.measures_current],
        "voltage only": [j for j in fleet if not j.measures_current],
        "own table, up to 50 mV off": [j for j in fleet if j.has_table],
        "no table": [j for j in fleet if not j.has_table],
        **{c: [j for j in fleet if j.chemistry == c] for c in sorted({j.chemistry for j in fleet})},
        **{k: [j for j in fleet if j.kind == k] for k in sorted({j.kind for j in fleet})},
    }
    for name, some in groups.items():
        t = totals(some)
        lead = "-" if t.median_lead_h is None else f"{t.median_lead_h:.0f}"
        table.add_row(name, str(t.heard), f"{t.warned} ({t.warned_share:.1%})", lead, str(t.healthy), f"{t.false_per_month:.3f}")
    console.print(table)


def _show_misses(console: Console, fleet: list[Judged], lead_h: float, earliest_day: float) -> None:
    for j in fleet:
        missed = j.crossed_day is not None and j.crossed_day >= earliest_day and j.heard and (j.lead_h is None or j.lead_h < lead_h)
        if missed or j.false_alarms:
            what = "missed" if missed else "false"
            told = {k: n for k, n in j.began.items() if k in WARNINGS or k == "freezing"}
            console.print(
                what, j.battery_id, j.chemistry, j.kind, j.measures_current, j.has_table, j.crossed_day, j.lead_h, round(j.lowest_pct), told
            )


if __name__ == "__main__":
    sys.exit(main())
