"""The habits of the house that no linter knows: who may open files, and that the documents tell the truth."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parent.parent
MAY_TOUCH_FILES = (
    "api/",
    "ingest/file_source.py",
    "ingest/serial_source.py",
    "ingest/mqtt_door.py",
    "ingest/amqp_source.py",
    "ingest/modbus_source.py",
    "simulators/",
)
NEEDS = [ROOT / "tests" / name for name in ("brokers.py", "end_to_end/browser.py", "fleet/rabbit.py")]


def python_files(*folders: str) -> list[Path]:
    return sorted(p for folder in folders for p in (ROOT / folder).rglob("*.py"))


def test_only_the_edges_open_files() -> None:
    """`open()` and path reading are called by no file of the core, the decoders or the loop."""
    found = []
    for path in python_files("analytics", "ingest", "simulators", "api"):
        name = path.relative_to(ROOT).as_posix()
        if name.startswith(MAY_TOUCH_FILES):
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("open", "exec", "eval", "input"):
                found.append(f"{name}:{node.lineno}")
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr in ("read_text", "write_text", "read_bytes")
            ):
                found.append(f"{name}:{node.lineno}")
    assert found == []


def test_every_test_says_in_a_sentence_what_it_shows() -> None:
    """Each test function has a docstring that states the behaviour."""
    bare = []
    for path in python_files("tests"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_") and not ast.get_docstring(node):
                bare.append(f"{path.relative_to(ROOT)}:{node.name}")
    assert bare == []


def test_every_path_named_for_developers_exists() -> None:
    """Prose about where things live rots unless a test reads it."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    named = {m for m in re.findall(r"`([a-z_.]+/[A-Za-z0-9_./-]*)`", text) if not re.search(r"NAME|\.\.\.|\*", m)}
    assert named
    assert [m for m in sorted(named) if not (ROOT / m).exists()] == []


def test_no_test_is_skipped_or_patched() -> None:
    """No skip, expected failure or patching: a fake is written by hand, a missing part is installed.

    The exceptions stand in NEEDS, one mark for each server or browser that a bare machine may lack; CI installs them all.
    """
    words = re.compile(r"pytest\.mark\.(skip|xfail)|pytest\.skip|monkeypatch|unittest\.mock|mock\.patch")
    found = [
        p.relative_to(ROOT).as_posix() for p in python_files("tests") if p not in (Path(__file__), *NEEDS) and words.search(p.read_text())
    ]
    assert found == []
