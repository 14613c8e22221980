"""Print the confusion table: `python -m tests.chargers [seeds]`. Exit code 1 if a harmful charge is missed or a right one accused."""

import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from itertools import product

from simulators.battery import KINDS
from simulators.charger import CHARGERS
from tests.chargers.expectation import expectation
from tests.chargers.kinds import kind_said, print_kinds
from tests.chargers.sessions import Case, flagged, simulate, watched
from tests.chargers.verdicts import Verdict, verdict

TEMPERATURES_C = (-10.0, 5.0, 25.0, 40.0)
OUTCOMES = ("flagged", "wrong reason", "missed", "cannot be seen", "left alone", "false alarm", "either way")
BAD = ("missed", "wrong reason", "false alarm")


def both(case: Case) -> tuple[Verdict, Verdict, tuple[str, str]]:
    """The same charge with voltage and current, and with the voltage alone; and the behaviour with what kind of charger was said."""
    run = simulate(case)
    wanted = expectation(run)
    said, state = watched(run)
    alone = flagged(run, voltage_only=True)
    return verdict(case, wanted, said), verdict(case, wanted, alone, voltage_only=True), (case.behaviour, kind_said(state))


def main(seeds: int) -> int:
    cases = [Case(c, b, t, s) for b, c, t, s in product(CHARGERS, KINDS, TEMPERATURES_C, range(seeds))]
    with ProcessPoolExecutor(os.cpu_count()) as workers:
        pairs = []
        for n, pair in enumerate(workers.map(both, cases, chunksize=4), 1):
            pairs.append(pair)
            print_bad(pair[:2])
            if n % 40 == 0:
                print(f"{n} of {len(cases)} sessions", file=sys.stderr, flush=True)
    full, alone = [a for a, _, _ in pairs], [b for _, b, _ in pairs]
    print_reasons(full)
    wrong_kinds = print_kinds(kind for _, _, kind in pairs)
    print_open(full)
    print_table(full, alone)
    return 1 if wrong_kinds or any(v.outcome in BAD for v in full) else 0


def print_bad(verdicts: tuple[Verdict, ...]) -> None:
    for v in verdicts:
        if v.outcome in BAD:
            sensor = "voltage only, " if v.voltage_only else ""
            wanted = sorted(v.wanted) or f"nothing but {v.why or 'silence'}"
            print(f"{v.outcome}: {sensor}{v.case}: said {v.said or 'nothing'}, wanted {wanted}", flush=True)


def print_reasons(verdicts: list[Verdict]) -> None:
    print("\nbehaviour of the charger, and what was said of it (voltage and current):")
    said = Counter((v.case.behaviour, ", ".join(r.removeprefix("charge_") for r in v.said) or "nothing") for v in verdicts)
    for (behaviour, words), count in sorted(said.items()):
        print(f"  {behaviour:28} {words:50} {count:4}")


def print_open(verdicts: list[Verdict]) -> None:
    """Where published figures leave open what to say; nothing else may be said there."""
    reasons = Counter(v.why for v in verdicts if v.outcome == "either way")
    print("\nmay be said or not, for:" if reasons else "\nnothing is left open")
    for why, count in reasons.most_common():
        print(f"  {count:4}  {why}")


def print_table(full: list[Verdict], alone: list[Verdict]) -> None:
    print(f"\n{len(full)} sessions{'':14}harmful:{'':56}right:")
    print(f"{'':22}" + "".join(f"{name:>16}" for name in OUTCOMES))
    for name, verdicts in (("voltage and current", full), ("voltage only", alone)):
        counts = Counter(v.outcome for v in verdicts)
        print(f"{name:22}" + "".join(f"{counts[o]:>16}" for o in OUTCOMES))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1))
