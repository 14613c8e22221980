"""`replay --explain`: sentences on the terminal, and one page that needs no network."""

from pathlib import Path

from typer.testing import CliRunner

from api.cli import app

BATTERY = 'id = "van"\nchemistry = "agm"\nrated_capacity_ah = 100\ninitial_state_of_charge_pct = 80\n'


def recording(folder: Path) -> tuple[Path, Path]:
    """Four hours with a row a minute: a load, then rest."""
    rows = [f"{60 * k},{12.6 - k / 4000:.3f},{-3.0 if k < 120 else -0.05},20.0" for k in range(360)]
    (folder / "readings.csv").write_text("time_s,voltage_v,current_a,temperature_c\n" + "\n".join(rows) + "\n")
    (folder / "battery.toml").write_text(BATTERY)
    return folder / "readings.csv", folder / "battery.toml"


def test_explain_tells_and_draws(tmp_path: Path) -> None:
    """The story is printed; story.html carries the sentences, the curves and the chart script itself, and links to nothing outside."""
    readings, battery = recording(tmp_path)
    done = CliRunner().invoke(app, ["replay", str(readings), "--battery", str(battery), "--out", str(tmp_path / "out"), "--explain"])
    assert done.exit_code in (0, 1), done.output
    assert "The owner declared 80 %." in done.output
    page = (tmp_path / "out" / "story.html").read_text()
    assert "The owner declared 80 %." in page
    assert "state of charge, %" in page
    assert "Plotly.newPlot" in page
    assert "<script src" not in page
    assert "<link" not in page


def test_without_explain_nothing_is_drawn(tmp_path: Path) -> None:
    """Plain replay writes its two files only."""
    readings, battery = recording(tmp_path)
    CliRunner().invoke(app, ["replay", str(readings), "--battery", str(battery), "--out", str(tmp_path / "out")])
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == ["alerts.jsonl", "assessments.csv"]
