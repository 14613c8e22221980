"""`make mutants`: a seeded sample of small wrong changes to `analytics`; how many do the tests of the changed module notice?

Each is made in a copy of the package and judged by those tests in a process of its own (up to a limit of time; to hang is to be
noticed). Prints the survivors and the score. No survivor is proof of a missing test: some changes mean the same.
"""

import argparse
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.mutants.changes import Change, changes

HOME = Path(__file__).parents[2]
A, C = "tests/analytics/test_", "tests/contracts/test_"
JUDGES = {
    "rules/charge": [A + "charging.py"],
    "rules/ageing": [A + "ageing.py"],
    "rules/sensor": [A + "sensors.py"],
    "rules": [A + "rules_low.py", A + "rules_watch.py", C + "rules.py"],
    "charging": [A + "charging.py"],
    "ageing": [A + "ageing.py"],
    "sensors": [A + "sensors.py"],
    "estimate": [A + "estimate.py", A + "core.py"],
    "trend": [A + "trend.py", A + "rules_low.py", A + "rules_watch.py"],
    "budget": [A + "budget.py", A + "budget_sun.py", A + "runtime.py"],
    "use": [A + "use.py"],
    "care": [A + "care.py"],
    "alerts": [A + "alerts.py"],
    "core": [A + "core.py", A + "span.py", A + "fold.py"],
    "span": [A + "span.py", A + "core.py"],
    "fold": [A + "fold.py", A + "core.py"],
    "story": [A + "story.py"],
    "details": [A + "core.py", A + "rules_watch.py", A + "trend.py"],
    "battery": [A + "declared.py", C + "chemistries.py", "tests/api/test_declaration.py"],
    "chemistry": [C + "chemistries.py", A + "estimate.py"],
}
"""Path within the package, the longest that fits → the tests that ought to notice. Chemistries are tables of sourced figures, not code."""
LIMIT_S = 180.0


def judges_of(path: str) -> list[str]:
    """The test files for a module; the whole of tests/analytics where none is named."""
    fitting = [prefix for prefix in JUDGES if path.startswith(prefix)]
    named = JUDGES[max(fitting, key=len)] if fitting else ["tests/analytics"]
    return [name for name in named if (HOME / name).exists()]


def noticed(folder: Path, path: str, change: Change, limit_s: float) -> bool:
    """Whether a test fails, or never ends, with this change."""
    place = folder / "analytics" / path
    whole = place.read_text(encoding="utf-8")
    place.write_text(change.applied(whole), encoding="utf-8")
    try:
        run = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", *judges_of(path)],
            cwd=folder, env={**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"}, timeout=limit_s, capture_output=True,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        return True
    finally:
        place.write_text(whole, encoding="utf-8")
    return run.returncode != 0


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
        folder = Path(name)
        for part in ("analytics", "ingest", "api", "simulators", "tests"):
            shutil.copytree(HOME / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(HOME / "pyproject.toml", folder)
        for path, change in sample:
            if time.monotonic() - began > given.minutes * 60:
                break
            seen = noticed(folder, path, change, LIMIT_S)
            judged, killed = judged + 1, killed + seen
            old = sources[path][change.begin : change.end]
            said = "noticed " if seen else "SURVIVED"
            print(f"{said} analytics/{path}:{change.line}: {old!r} → {change.text!r}", flush=True)
    score = 100 * killed / judged if judged else 0.0
    print(f"{judged} of {len(offered):,} possible changes judged (seed {given.seed}): {killed} noticed, score {score:.0f} %")
    return 0


if __name__ == "__main__":
    sys.exit(main())
