"""`make mutants`: a seeded sample of small wrong changes to `analytics`; how many do the tests that reach them notice?

Each is made in a copy of the house and judged by those tests (tests/mutants/judging.py); to hang is to be noticed. Prints the survivors and
the score. No survivor is proof of a missing test: some changes mean the same, and some tests that cost more than the budget are not asked.
"""

import argparse
import random
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.mutants.changes import changes, place_of
from tests.mutants.judging import OURS, Judges

HOME = Path(__file__).parents[2]


def main() -> int:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--mutants", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--minutes", type=float, default=60.0, help="begin no new one after so long")
    options.add_argument("--only", default="", help="modules whose path within analytics begins so")
    given = options.parse_args()
    modules = sorted(p for p in (HOME / "analytics").rglob("*.py") if "chemistries" not in p.parts and p.name != "cautions.py")
    sources = {str(p.relative_to(HOME / "analytics")): p.read_text(encoding="utf-8") for p in modules}
    offered = [(path, change) for path, source in sources.items() if path.startswith(given.only) for change in changes(source)]
    sample = random.Random(given.seed).sample(offered, min(given.mutants, len(offered)))
    began, killed, judged = time.monotonic(), 0, 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()
        for part in OURS:
            shutil.copytree(HOME / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(HOME / "pyproject.toml", folder)
        judges = Judges(folder)
        judges.survey()
        cost_s = sum(judges.costs_s.values())
        print(
            f"{len(judges.costs_s)} tests pass unchanged in {time.monotonic() - began:.0f} s ({cost_s:.0f} s of them processor)", flush=True
        )
        for test in judges.failing:
            print(f"fails without any change and is not asked: {test}", flush=True)
        for path, change in sample:
            if time.monotonic() - began > given.minutes * 60:
                break
            tests = judges.reaching(path, *place_of(sources[path], change.line))
            seen = judges.notice(path, change.applied(sources[path]), tests)
            judged, killed = judged + 1, killed + seen
            old = sources[path][change.begin : change.end]
            said = "noticed " if seen else "SURVIVED" if tests else "UNTESTED"
            print(f"{said} analytics/{path}:{change.line}: {old!r} → {change.text!r} ({len(tests)} tests)", flush=True)
    score = 100 * killed / judged if judged else 0.0
    print(
        f"{judged} of {len(offered):,} possible changes judged (seed {given.seed}) in {(time.monotonic() - began) / 60:.0f} min: "
        f"{killed} noticed, score {score:.0f} %"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
