"""The maker of small wrong changes: each is one place, still Python, and never in words or annotations."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.mutants.changes import changes, place_of
from tests.mutants.judging import OWN, WHOLE, own_files

HOME = Path(__file__).parents[2]

SOURCE = '''"""A docstring with 3 and a < b."""
def f(a: int = 3, b: float | None = None) -> bool:
    """Not 5."""
    return a < 4 and not b == 0.5 * (a + 1)  # 7
'''
MODULES = sorted(str(p.relative_to(HOME / "analytics")) for p in (HOME / "analytics").rglob("*.py"))


def test_each_change_is_one_place_of_the_code_and_none_of_the_words() -> None:
    """Comparison, condition, negation, product, sum and every number; not the docstrings, annotations and remarks."""
    found = {(SOURCE[c.begin : c.end], c.text) for c in changes(SOURCE)}
    assert found == {
        ("3", "6"), ("<", "<="), ("<", ">"), ("4", "8"), ("and", "or"), ("not ", ""), ("==", "!="), ("0.5", "0.75"), ("*", "/"), ("+", "-"), ("1", "2"),
    }  # fmt: skip


@pytest.mark.parametrize("module", MODULES)
def test_every_change_of_the_package_is_still_python(module: str) -> None:
    """None is noticed only because it cannot be read."""
    source = (HOME / "analytics" / module).read_text(encoding="utf-8")
    for change in changes(source)[:: 1 + len(source) // 2_000]:
        changed = change.applied(source)
        assert changed != source
        ast.parse(changed)


def test_the_place_of_a_change_is_its_statement_and_what_it_defines() -> None:
    """A statement over several lines is one place, a compound one its head; what is done at import is known by the name it defines."""
    source = "LIMIT = (\n    3\n)\n\n\ndef f(a=1):\n    if (a\n            > 2):\n        return LIMIT\n    return 0\n"
    assert place_of(source, 2) == (range(1, 4), "LIMIT")
    assert place_of(source, 6) == (range(6, 7), "f")
    assert place_of(source, 8) == (range(7, 9), None)
    assert place_of(source, 9) == (range(9, 10), None)


def test_every_file_that_is_asked_first_is_there() -> None:
    """And each name of a place is one of the package."""
    for prefix in OWN:
        assert any(module.startswith(prefix) for module in MODULES), prefix
        assert all((HOME / file).exists() for file in [WHOLE, *own_files(prefix)]), prefix


HOUSE = {
    "analytics/__init__.py": "",
    "analytics/thing.py": "LIMIT = 3\n\n\ndef low(a: int) -> bool:\n    return a < LIMIT\n\n\ndef high(a: int) -> bool:\n    return a > 9\n",
    "tests/test_thing.py": "from analytics.thing import low\n\n\ndef test_low():\n    assert low(2)\n    assert not low(3)\n\n\ndef test_broken():\n    assert low(3)\n",
}
JUDGING = """
from pathlib import Path
from tests.mutants.judging import Judges
judges = Judges(Path(r"{folder}"), ["tests"])
judges.survey()
source = (Path(r"{folder}") / "analytics/thing.py").read_text()
lines = (judges.reaching("thing.py", [5], None), judges.reaching("thing.py", [1], "LIMIT"), judges.reaching("thing.py", [9], None))
changed = [("= 3", "= 4", 1), ("a < LIMIT", "not a >= LIMIT", 0), ("9", "8", 2)]
print(judges.failing, [len(tests) for tests in lines], [judges.notice("thing.py", source.replace(old, new), lines[n]) for old, new, n in changed])
"""


def test_a_change_is_judged_by_the_tests_that_reach_it(tmp_path: Path) -> None:
    """What a test reaches and holds to is noticed, also at import; what means the same, and what no test reaches, is not; a test that fails anyway is not asked."""
    for name, text in HOUSE.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    run = subprocess.run([sys.executable, "-c", JUDGING.format(folder=tmp_path)], cwd=HOME, capture_output=True, text=True, check=False)
    assert run.stdout == "['tests/test_thing.py::test_broken'] [1, 1, 0] [True, False, False]\n", run.stderr
