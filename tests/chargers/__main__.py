"""Print the confusion table: `python -m tests.chargers [seeds]`. Exit code 1 if a harmful charge is missed or a right one accused."""

import sys
from collections import Counter

from simulators.battery import KINDS
from simulators.charger import CHARGERS
from tests.chargers.expectation import expectation
from tests.chargers.sessions import Case, flagged, simulate

TEMPERATURES_C = (-10.0, 5.0, 25.0, 40.0)


def main(seeds: int, verbose: bool) -> int:
    table: dict[str, Counter[str]] = {"voltage and current": Counter(), "voltage only": Counter()}
    reasons: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    for behaviour in CHARGERS:
        for chemistry in KINDS:
            for temperature_c in TEMPERATURES_C:
                for seed in range(seeds):
                    run = simulate(Case(chemistry, behaviour, temperature_c, seed))
                    wanted = expectation(run)
                    for how, alone in (("voltage and current", False), ("voltage only", True)):
                        got = flagged(run, voltage_only=alone)
                        outcome = _outcome(wanted.reasons, got, alone and not wanted.by_voltage)
                        table[how][outcome] += 1
                        if not alone:
                            reasons[(behaviour, " ".join(r.removeprefix("charge_") for r in got) or "nothing")] += 1
                        if outcome in ("missed", "wrong reason", "false alarm") or verbose:
                            wrong.append(
                                f"{outcome:13} {how:20} {behaviour:28} {chemistry:8} {temperature_c:4.0f} °C: got {got}, wanted {wanted.reasons}"
                            )
    _print(table, reasons, wrong)
    bad = table["voltage and current"]
    return 1 if bad["missed"] + bad["wrong reason"] + bad["false alarm"] else 0


def _outcome(wanted: frozenset[str] | None, got: tuple[str, ...], cannot: bool) -> str:
    if wanted is None:
        return "not scored"
    if not wanted:
        return "false alarm" if got else "left alone"
    if cannot:
        return "cannot be seen"
    if wanted & set(got):
        return "flagged"
    return "wrong reason" if got else "missed"


def _print(table: dict[str, Counter[str]], reasons: Counter[tuple[str, str]], wrong: list[str]) -> None:
    for line in wrong:
        print(line)
    print("\nbehaviour and what was said of it (voltage and current), sessions:")
    for (behaviour, said), count in sorted(reasons.items()):
        print(f"  {behaviour:28} {said:44} {count:4}")
    print(
        f"\n{'':22}{'harmful: flagged':>18}{'wrong reason':>14}{'missed':>8}{'cannot be seen':>16}{'right: left alone':>19}{'false alarm':>13}{'not scored':>12}"
    )
    for how, counts in table.items():
        cells = [counts[k] for k in ("flagged", "wrong reason", "missed", "cannot be seen", "left alone", "false alarm", "not scored")]
        print(f"{how:22}" + "".join(f"{c:>{w}}" for c, w in zip(cells, (18, 14, 8, 16, 19, 13, 12), strict=True)))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 and sys.argv[1].isdigit() else 1, "-v" in sys.argv))
