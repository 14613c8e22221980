"""The tables of `make score`: both lead-acid families and LiFePO4, as they are and with what may be wrong; then the cost."""

import argparse
import time
from collections.abc import Iterable

from analytics import core
from tests.score.scoring import Score, reading, scored
from tests.score.traces import trace, traces
from tests.score.weeks import print_weeks

LEAD = ("porous", "kinetic")
RUNS: tuple[tuple[str, tuple[str, ...], list[dict[str, float | bool]], str], ...] = (
    ("porous-electrode lead-acid, as they are", ("porous",), [{}], "0.8 1.5 85 5"),
    ("kinetic lead-acid, as they are", ("kinetic",), [{}], "1.5 2.5 85 7"),
    ("both, table 30 mV off", LEAD, [{"shift_v": 0.03}, {"shift_v": -0.03}], "2.0 3.5 80 8"),
    ("both, start 3 points off", LEAD, [{"start_pct": 3.0}, {"start_pct": -3.0}], "1.8 3.0 80 8"),
    ("both, start not known", LEAD, [{"known_start": False}], ""),
    ("both, no own table", LEAD, [{"own_table": False}], ""),
    ("both, voltage only", LEAD, [{"voltage_only": True}], "8 14 85 -"),
    ("LiFePO4, as they are", ("lifepo4",), [{}], "3 6 85 -"),
    ("LiFePO4, voltage only", ("lifepo4",), [{"voltage_only": True}], ""),
)


def _line(title: str, scores: list[Score], wanted: str = "") -> None:
    n = len(scores)
    mean, least = sum(s.rmse for s in scores) / n, min(s.cover_pct for s in scores)
    cover, width = sum(s.cover_pct for s in scores) / n, sum(s.width for s in scores) / n
    lost = sum(not s.end_covered for s in scores)
    print(
        f"{title:44}{n:4}{mean:8.2f}{max(s.rmse for s in scores):8.2f}{max(s.worst for s in scores):8.1f}"
        f"{least:8.1f}{cover:8.1f}{width:8.1f}{lost:6}   {wanted}"
    )


def _score(families: Iterable[str], changes: dict[str, float | bool], verbose: bool) -> list[Score]:
    kwargs = {k: v for k, v in changes.items() if k != "voltage_only"}
    blind = bool(changes.get("voltage_only", False))
    found = []
    for family in families:
        for t in traces(family):
            s = scored(t.battery(**kwargs), t.rows(), voltage_only=blind)  # type: ignore[arg-type]
            found.append(s)
            if verbose:
                _line("  " + t.name, [s])
    return found


def _cost() -> None:
    print("\ncost of one reading, everything included (core.step), and of the estimator's share of it")
    for name, what in (("a_weekend", "10 s"), ("b_solar10", "60 s"), ("c_storage", "600 s")):
        t = trace(name)
        readings = [reading(r) for r in t.rows()]
        state = core.begin(t.battery())
        began = time.perf_counter()
        for r in readings:
            state, _ = core.step(state, r)
        whole = (time.perf_counter() - began) / len(readings)
        began = time.perf_counter()
        scored(t.battery(), t.rows())
        alone = (time.perf_counter() - began) / len(readings)
        print(f"  readings every {what:6} {1e6 * whole:7.1f} µs, {1 / whole:9.0f} a second; estimator and score {1e6 * alone:6.1f} µs")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2, help="sensor errors made anew, so many times per trace")
    parser.add_argument("--weeks", type=int, default=200, help="simulated weeks; 0 for none")
    parser.add_argument("--verbose", action="store_true", help="a line for every trace")
    args = parser.parse_args()
    print(
        f"{'run':44}{'n':>4}{'RMSE':>8}{'worst':>8}{'max':>8}{'least':>8}{'cover':>8}{'width':>8}{'lost':>6}   wanted: RMSE, worst, least, width"
    )
    for title, families, changes, wanted in RUNS:
        _line(title, [s for c in changes for s in _score(families, c, args.verbose)], wanted)
    for family in ("porous", "kinetic", "lifepo4"):
        found = [scored(t.battery(), t.remade(seed)) for t in traces(family) for seed in range(1, args.seeds + 1)]
        _line(f"{family}, sensor errors made anew", found)
    for family in ("porous", "kinetic", "lifepo4"):
        found = [scored(t.guessed(seed), t.remade(seed)) for t in traces(family) for seed in range(1, args.seeds + 1)]
        _line(f"{family}, sensor's and owner's errors made anew", found, "cover 85 to 97")
    _cost()
    if args.weeks:
        print_weeks(args.weeks)


if __name__ == "__main__":
    main()
