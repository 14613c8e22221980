"""Which tests reach a line, and do they notice a change there? Each run is a fork of a process that has imported everything but the product.

Once, all judges run unchanged under line coverage, each test a context of its own: that gives the tests that reach a line, and
what each costs. A change is then judged by those that reach it, the cheapest first, until one fails or their cost is up.
"""

import os
import re
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

import coverage
import orjson
import pytest
from hypothesis import HealthCheck, settings

OURS = ("analytics", "ingest", "api", "simulators", "tests")
JUDGES = ("tests/analytics", "tests/contracts/test_rules.py", "tests/contracts/test_chemistries.py", "tests/chargers", "tests/settings")
A, C = "tests/analytics/test_", "tests/contracts/test_"
OWN = {
    "rules/ageing": [A + "ageing.py"],
    "rules/charge": [A + "thresholds.py", A + "charging.py"],
    "rules/sensor": [A + "thresholds.py", A + "sensors.py"],
    "rules/forecast": [A + "thresholds.py", A + "foreseen.py", A + "trend.py", C + "rules.py"],
    "rules": [A + "thresholds.py", A + "rules_low.py", A + "rules_watch.py", C + "rules.py"],
    "ageing": [A + "life.py", A + "evidence.py", A + "ageing.py", A + "declared.py"],
    "alerts": [A + "alerts.py"],
    "battery": [A + "declared.py", C + "chemistries.py", "tests/settings/test_settings.py"],
    "budget": [A + "budget.py", A + "budget_sun.py", A + "runtime.py"],
    "care": [A + "memories.py", A + "care.py"],
    "charging": [A + "sessions.py", A + "charging.py", "tests/chargers/test_matrix.py"],
    "chemistry": [C + "chemistries.py", A + "estimate.py"],
    "core": [A + "core.py", A + "span.py", A + "fold.py"],
    "details": [A + "core.py", A + "rules_watch.py", A + "trend.py"],
    "estimate": [A + "filter.py", A + "blind.py", A + "corrections.py", A + "estimate.py", A + "core.py"],
    "fold": [A + "thresholds.py", A + "fold.py", A + "core.py"],
    "sensors": [A + "memories.py", A + "sensors.py"],
    "span": [A + "memories.py", A + "span.py", A + "core.py"],
    "story": [A + "story.py"],
    "trend": [A + "forecast.py", A + "trend.py", A + "foreseen.py", A + "rules_low.py"],
    "use": [A + "memories.py", A + "use.py"],
}
"""Path within the package, the longest that fits → the test files that are about it and are asked first."""
LIMITS = [A + "limits.py", A + "limits_rules.py", A + "limits_charges.py"]
"""About whatever they reach; asked with those."""
WHOLE = A + "figures.py"
"""About everything that a whole life reaches; asked before all others, by themselves, for most changes show there."""
WHOLE_BUDGET_S, OWN_BUDGET_S, OTHERS_BUDGET_S = 20.0, 30.0, 8.0
"""Processor time of the tests that judge one change, as traced in the unchanged run (a third of it untraced). Judgement."""
EXAMPLES = 25
LARGEST_BYTES = 4 << 30


def own_files(path: str) -> list[str]:
    """The test files that are about a module."""
    fitting = [prefix for prefix in OWN if path.startswith(prefix)]
    return [*(OWN[max(fitting, key=len)] if fitting else ()), *LIMITS]


class Timed:
    """A pytest plugin: runs the chosen tests in a given order and tells what each took of the processor."""

    def __init__(self, order: dict[str, int] | None, begun: Callable[[str], None]) -> None:
        self._order, self._begun = order, begun
        self.costs_s: dict[str, float] = {}
        self.failed: set[str] = set()

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid)

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        if self._order is not None:
            items[:] = sorted((item for item in items if item.nodeid in self._order), key=lambda item: self._order[item.nodeid])  # type: ignore[index]

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        self._begun(item.nodeid)
        before = time.process_time()
        yield
        self.costs_s[item.nodeid] = time.process_time() - before
        self._begun("")


class Judges:
    """The copy of the house in `folder`, its tests, and what they reach."""

    def __init__(self, folder: Path, judges: Sequence[str] = JUDGES) -> None:
        self._folder, self._judges = folder, judges
        self.costs_s: dict[str, float] = {}
        self.failing: list[str] = []
        """Fail without any change, and so judge none."""
        self._reached: dict[str, dict[int, frozenset[str]]] = {}

    def survey(self) -> None:
        """Run everything unchanged. Raises RuntimeError where that cannot be done."""
        told, words = self._folder / "survey.json", self._folder / "survey.txt"
        if not _forked(lambda: self._surveyed(told), None, words):
            raise RuntimeError(f"the tests cannot be run:\n{words.read_text(encoding='utf-8')[-2000:]}")
        found = orjson.loads(told.read_bytes())
        self.costs_s, self.failing = found["costs_s"], found["failed"]
        for name in found["imported"]:  # so that no child need do it again
            try:
                import_module(name)
            except ImportError:
                continue
        data = coverage.CoverageData(str(self._folder / "survey.coverage"))
        data.read()
        for name in data.measured_files():
            lines = data.contexts_by_lineno(name)
            self._reached[str(Path(name).relative_to(self._folder / "analytics"))] = {
                line: frozenset(tests) & self.costs_s.keys() for line, tests in lines.items()
            }

    def _surveyed(self, told: Path) -> int:
        measure = coverage.Coverage(
            data_file=str(self._folder / "survey.coverage"), include=[f"{self._folder}/analytics/*"], config_file=False
        )
        measure.start()
        timed = Timed(None, measure.switch_context)
        code = self._run([*self._judges], timed)
        measure.stop()
        measure.save()
        imported = [name for name in sys.modules if name.partition(".")[0] not in (*OURS, "conftest", "__main__", "_pytest", "pytest")]
        costs_s = {test: cost_s for test, cost_s in timed.costs_s.items() if test not in timed.failed}
        told.write_bytes(orjson.dumps({"costs_s": costs_s, "failed": sorted(timed.failed), "imported": imported}))
        return 0 if code in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED) else code

    def reaching(self, path: str, lines: Sequence[int], name: str | None) -> list[str]:
        """Tests for these lines of a module, as many as the budget allows: whole lives, then those that are about it, then others.

        Of what is done at import (`name` is what it defines) those that reach a line which mentions it, or else the module. Of the
        module's own test files also those that do not reach the place: what they share may have been worked out by the first.
        """
        of = self._reached.get(path, {})
        if name is None:
            direct = {test for line in lines for test in of.get(line, ())}
        else:
            direct = self._mentioning(name) or {test for tests in of.values() for test in tests}
        whole = {test for test in direct if test.startswith(WHOLE)}
        direct -= whole
        files, own = {test.partition("::")[0] for test in direct}, set(own_files(path))
        beside = {test for test in self.costs_s if test.partition("::")[0] in files & own} - direct
        near = {test for test in direct if test.partition("::")[0] in own}
        asked = self._affordable(near, OWN_BUDGET_S)
        asked += self._affordable(beside, OWN_BUDGET_S - sum(self.costs_s[test] for test in asked))
        return self._affordable(whole, WHOLE_BUDGET_S) + asked + self._affordable(direct - near, OTHERS_BUDGET_S)

    def _affordable(self, tests: set[str], budget_s: float) -> list[str]:
        """The cheapest first."""
        chosen = []
        for test in sorted(tests, key=lambda test: (self.costs_s[test], test)):
            budget_s -= self.costs_s[test]
            if budget_s < 0:
                break
            chosen.append(test)
        return chosen

    def _mentioning(self, name: str) -> set[str]:
        word, found = re.compile(rf"\b{re.escape(name)}\b"), set[str]()
        for path, lines in self._reached.items():
            for number, text in enumerate((self._folder / "analytics" / path).read_text(encoding="utf-8").splitlines(), 1):
                if number in lines and word.search(text):
                    found |= lines[number]
        return found

    def notice(self, path: str, changed: str, tests: list[str]) -> bool:
        """Whether one of the tests fails, or does not end, with the module's text changed."""
        if not tests:
            return False
        place = self._folder / "analytics" / path
        whole, was = place.read_bytes(), place.stat()
        place.write_text(changed, encoding="utf-8")
        os.utime(place, (was.st_atime, was.st_mtime + 1e6))  # so that nothing compiled before is taken for it
        try:
            lives = [test for test in tests if test.startswith(WHOLE)]
            return any(self._fails(some) for some in (lives, tests[len(lives) :]) if some)
        finally:
            place.write_bytes(whole)
            os.utime(place, ns=(was.st_atime_ns, was.st_mtime_ns))

    def _fails(self, tests: list[str]) -> bool:
        order = {test: n for n, test in enumerate(tests)}
        files = list(dict.fromkeys(test.partition("::")[0] for test in tests))
        limit_s = 20 + 4 * sum(self.costs_s[test] for test in tests)
        return not _forked(lambda: self._judged(files, order), int(limit_s))

    def _judged(self, files: list[str], order: dict[str, int]) -> int:
        sys.dont_write_bytecode = True
        return self._run(["-x", *files], Timed(order, lambda _: None))

    def _run(self, arguments: list[str], plugin: Any) -> int:
        """pytest within this process, on the copy."""
        for name in [name for name in sys.modules if name.partition(".")[0] in OURS]:
            del sys.modules[name]
        os.chdir(self._folder)
        sys.path[:] = [str(self._folder), *(place for place in sys.path[1:] if place not in ("", str(Path(__file__).parents[2])))]
        os.environ["PYTHONPATH"] = str(self._folder)
        quick = settings(max_examples=EXAMPLES, derandomize=True, database=None, deadline=None, suppress_health_check=list(HealthCheck))
        settings.register_profile("judging", quick)
        settings.load_profile("judging")
        given = [
            "-q",
            "-W",
            "ignore::pytest.PytestAssertRewriteWarning",
            "-p",
            "no:cacheprovider",
            "-p",
            "no:xdist",
            "-p",
            "no:cov",
            *arguments,
        ]
        return int(pytest.main(given, [plugin]))


def _forked(work: Callable[[], int], limit_s: int | None, words: Path = Path(os.devnull)) -> bool:
    """Do it in a fork, with its words in a file; True if it ended with 0 within its limits of processor time and memory."""
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.setsid()
            os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
            said = os.open(words, os.O_WRONLY | os.O_CREAT)
            os.dup2(said, 1)
            os.dup2(said, 2)
            resource.setrlimit(resource.RLIMIT_AS, (LARGEST_BYTES, LARGEST_BYTES))
            if limit_s is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s))
            code = work()
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    try:
        _, status = os.waitpid(pid, 0)
    except BaseException:
        os.killpg(pid, signal.SIGKILL)
        raise
    return status == 0
