"""The maker of small wrong changes: each is one place, still Python, and never in words or annotations."""

import ast
from pathlib import Path

import pytest

import analytics
from tests.mutants.__main__ import HOME, JUDGES, judges_of
from tests.mutants.changes import changes

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


def test_every_module_has_its_judges() -> None:
    """The tests named for a module are there, and each name of a place is one of the package."""
    assert all(judges_of(module) for module in MODULES)
    places = [str(p.relative_to(Path(analytics.__path__[0]))) for p in Path(analytics.__path__[0]).rglob("*.py")]
    for prefix in JUDGES:
        assert any(place.startswith(prefix) for place in places), prefix
