"""`restvolt import`: a logger's file is taken in once however often it is given, and what is no recording is told in words."""

from pathlib import Path

import pytest
from click.testing import Result
from typer.testing import CliRunner

from api.cli import app
from api.mistakes import SettingsError

SETTINGS = """
data = "kept"
[format.logger]
decoder = "delimited"
columns = ["when", "volts", "amps"]
header = true
voltage = "volts"
current = "amps"
time = { field = "when", kind = "rfc3339" }
[format.live]
decoder = "delimited"
columns = ["volts"]
voltage = "volts"
[[battery]]
id = "house"
chemistry = "agm"
rated_capacity_ah = 95
"""
ROWS = "when,volts,amps\n" + "".join(f"2026-03-01T{h:02d}:{m:02d}:00Z,12.{70 - h},-0.5\n" for h in range(24) for m in range(60))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "restvolt.toml").write_text(SETTINGS)
    (tmp_path / "log.csv").write_text(ROWS)
    return tmp_path


def take(folder: Path, name: str, **more: str) -> Result:
    options = {"--battery": "house", "--format": "logger", "--settings": str(folder / "restvolt.toml"), **more}
    return CliRunner().invoke(app, ["import", str(folder / name), *(word for pair in options.items() for word in pair)])


def test_a_file_is_taken_in_once(folder: Path) -> None:
    """The whole file is kept; given again, also after a part of it only, nothing is doubled."""
    (folder / "half.csv").write_text("\n".join(ROWS.splitlines()[:700]) + "\n")
    assert "699 readings are new, 0 were known" in take(folder, "half.csv").output
    assert "741 readings are new, 699 were known" in take(folder, "log.csv").output
    again = take(folder, "log.csv")
    assert again.exit_code == 0
    assert "0 readings are new, 1440 were known, 0 pieces were no readings" in again.output


def test_an_image_is_no_recording(folder: Path) -> None:
    """A picture with the name of a CSV keeps nothing, ends with 1 and says what to compare."""
    (folder / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    done = take(folder, "picture.csv")
    assert done.exit_code == 1
    assert "None of it is a reading" in done.output
    assert "[format.logger]" in done.output


@pytest.mark.parametrize(
    ("name", "option", "value", "says"),
    [
        ("log.csv", "--format", "live", "needs the time of each reading"),
        ("log.csv", "--format", "other", "expected one of the settings' formats (logger, live)"),
        ("log.csv", "--battery", "other", "expected the id of a declared battery"),
        ("none.csv", "--battery", "house", "no such file"),
    ],
)
def test_each_mistake_is_named(folder: Path, name: str, option: str, value: str, says: str) -> None:
    """A format without times would date every reading anew each time; it, an unknown format, battery or file is refused with its reason."""
    done = take(folder, name, **{option: value})
    assert isinstance(done.exception, SettingsError)
    assert says in str(done.exception)
