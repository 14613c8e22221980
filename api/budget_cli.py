"""A budget as a person or a machine reads it: a short table and sentences, or JSON. The command itself is in `api/cli.py`."""

from math import isfinite
from pathlib import Path

from rich.console import Console
from rich.table import Table

from analytics.budget.answer import Answer, answer
from analytics.budget.candidates import Weighed, weighed
from analytics.budget.sentences import sentences_of
from analytics.chemistries import CHEMISTRIES
from api.budget_json import as_json
from api.plan import read_candidates, read_plan


def budget(plan_file: Path, candidates_file: Path | None = None) -> tuple[Answer, list[Weighed]]:
    """Read, work out, weigh. Raises SettingsError where a file is wrong."""
    worked = answer(read_plan(plan_file))
    return worked, [] if candidates_file is None else weighed(read_candidates(candidates_file), worked)


def print_budget(worked: Answer, candidates: list[Weighed], console: Console | None = None) -> None:
    """The tables, then the sentences."""
    out = console or Console()
    out.print(_uses(worked))
    out.print(_required(worked))
    for sentence in sentences_of(worked):
        out.print(sentence, highlight=False)
    if candidates:
        out.print(_candidates(candidates))
        for place, w in enumerate(candidates, 1):
            out.print(f"{place}. {w.candidate.name}: {'; '.join(w.reasons)}.", highlight=False)


def _uses(worked: Answer) -> Table:
    table = Table("each day", title=worked.plan.name, title_justify="left")
    table.add_column("Wh", justify="right")
    table.add_column("Ah", justify="right")
    for use in worked.uses:
        table.add_row(use.name, f"{use.watt_hours:.0f}", f"{use.ampere_hours:.1f}")
    table.add_section()
    table.add_row("together", f"{worked.daily_wh:.0f}", f"{worked.daily_ah:.1f}")
    table.add_row(f"with {worked.plan.margin_pct:.0f} % margin", "", f"{worked.planned_ah:.1f}")
    return table


def _required(worked: Answer) -> Table:
    table = Table("battery of this kind")
    table.add_column("at least, Ah (20 h)", justify="right")
    for name, required in worked.required:
        table.add_row(CHEMISTRIES[name].title, f"{required.with_margin_ah:.0f}")
    return table


def _candidates(candidates: list[Weighed]) -> Table:
    table = Table("battery", "fits", "carries", "charger", "bursts")
    for title in ("years", "per kWh"):
        table.add_column(title, justify="right")
    for w in candidates:
        answers = [{True: "yes", False: "no", None: "unknown"}[x] for x in (w.fits, w.carries, w.suits_charger, w.suits_bursts)]
        table.add_row(w.candidate.name, *answers, f"{w.years:.0f}", f"{w.cost_per_kwh:.2f}" if isfinite(w.cost_per_kwh) else "unknown")
    return table


__all__ = ["as_json", "budget", "print_budget"]
