"""`restvolt replay` as a person runs it: files in, files out, exit codes, and mistakes told in words."""

import csv
import gzip
import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from api.cli import app, main
from api.mistakes import SettingsError

BATTERY = 'id = "heron"\nchemistry = "agm"\nrated_capacity_ah = 100\nrated_hours = 20\ncells = 6\n'


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, ["replay", *map(str, arguments)])


def written(folder: Path, text: str, battery: str = BATTERY) -> tuple[Path, Path]:
    (folder / "readings.csv").write_text(text)
    (folder / "battery.toml").write_text(battery)
    return folder / "readings.csv", folder / "battery.toml"


def drain(hours: int) -> str:
    """A stored battery with a load of 2 A left on, a reading every ten minutes."""
    rows = ["time_s,voltage_v,current_a,temperature_c"]
    for i in range(hours * 6):
        rows.append(f"{i * 600},{12.75 - 0.9 * i / (50 * 6):.3f},-2.0,15.0")
    return "\n".join(rows) + "\n"


def test_a_recording_gives_a_row_for_each_reading_and_alerts_with_their_evidence(tmp_path: Path) -> None:
    """Where the input has time_s, so has the output; a drained battery raises alerts and the exit code says findings."""
    readings, battery = written(tmp_path, drain(46), BATTERY + "initial_state_of_charge_pct = 95\n")
    result = run(readings, "--battery", battery, "--out", tmp_path / "out")
    assert result.exit_code == 1, result.output
    rows = list(csv.DictReader((tmp_path / "out" / "assessments.csv").read_text().splitlines()))
    assert len(rows) == 46 * 6
    assert rows[1]["time_s"] == "600"
    for row in rows:
        low, pct, high = (float(row[f"state_of_charge{k}_pct"]) for k in ("_low", "", "_high"))
        assert 0 <= low <= pct <= high <= 100
    assert float(rows[-1]["state_of_charge_pct"]) < 25
    alerts = [json.loads(line) for line in (tmp_path / "out" / "alerts.jsonl").read_text().splitlines()]
    assert alerts
    for alert in alerts:
        assert {"time_s", "battery_id", "rule", "event", "priority", "evidence"} <= set(alert)
        assert alert["battery_id"] == "heron"
    assert "low_voltage" in {a["rule"] for a in alerts}


def test_times_with_a_zone_come_back_as_they_were(tmp_path: Path) -> None:
    """RFC 3339 rows, from the RFC's own example: 1996-12-19T16:39:57-08:00 is 1996-12-20T00:39:57Z; a compressed file works as well."""
    text = "time,voltage_v\n1996-12-19T16:39:57-08:00,12.5\n1996-12-20T00:49:57Z,12.5\n"
    _, battery = written(tmp_path, "")
    with gzip.open(tmp_path / "readings.csv.gz", "wt") as f:
        f.write(text)
    result = run(tmp_path / "readings.csv.gz", "--battery", battery, "--out", tmp_path)
    assert result.exit_code == 0, result.output
    assert [r["time"] for r in csv.DictReader((tmp_path / "assessments.csv").read_text().splitlines())] == [
        "1996-12-20T00:39:57Z",
        "1996-12-20T00:49:57Z",
    ]


def test_a_replay_cut_anywhere_tells_the_same_up_to_there(tmp_path: Path) -> None:
    """Nothing looks ahead: the alerts of the first half are the first alerts of the whole."""
    whole, battery = written(tmp_path, drain(46), BATTERY + "initial_state_of_charge_pct = 95\n")
    half = tmp_path / "half.csv"
    half.write_text("\n".join(whole.read_text().splitlines()[: 1 + 30 * 6]) + "\n")
    for path, out in ((whole, tmp_path / "a"), (half, tmp_path / "b")):
        run(path, "--battery", battery, "--out", out)
    everything = (tmp_path / "a" / "alerts.jsonl").read_text().splitlines()
    first = (tmp_path / "b" / "alerts.jsonl").read_text().splitlines()
    assert first == everything[: len(first)]
    assert (tmp_path / "b" / "assessments.csv").read_text() == "\n".join(
        (tmp_path / "a" / "assessments.csv").read_text().splitlines()[: 1 + 30 * 6]
    ) + "\n"


def test_the_clock_may_run_on_after_the_last_row(tmp_path: Path) -> None:
    """With --until-s, a sensor that fell silent is judged so."""
    rows = "time_s,voltage_v,current_a\n" + "".join(f"{i * 60},12.7,-0.1\n" for i in range(600))
    readings, battery = written(tmp_path, rows)
    assert "silence" not in run(readings, "--battery", battery).output
    result = run(readings, "--battery", battery, "--until-s", 600 * 60 + 3 * 86400, "--json")
    assert json.loads(result.output)["alerts"]["silence"] == 1


def test_a_clock_that_jumps_back_for_good_is_said(tmp_path: Path) -> None:
    """A recording tells no arrival, so a backlog and a wrong clock look alike: nothing is folded at a wrong time, and both are named."""
    stamps = [f"{year}-03-0{day}T{hour:02}:00:00Z" for year, days in ((2026, (1, 2)), (2024, (2, 3))) for day in days for hour in range(24)]
    readings, battery = written(tmp_path, "time,voltage_v\n" + "".join(f"{at},12.7\n" for at in [*stamps, "2026-03-02T20:30:00Z"]))
    assert (
        "48 of the late ones are dated months or years back: unless they are an older recording"
        in run(readings, "--battery", battery).output
    )
    summary = json.loads(run(readings, "--battery", battery, "--json").output)
    assert (summary["late"], summary["long_ago"]) == (49, 48)


def test_bad_rows_are_counted_and_the_next_good_one_is_kept(tmp_path: Path) -> None:
    """Half lines, words, NaN, a naive time and a time twice are told with their line; good rows stay."""
    text = "time,voltage_v,current_a\n2026-03-01T08:00:00Z,12.5,-1\n2026-03-01T08:01\nnonsense,12.5,1\n2026-03-01T08:02:00,12.5,1\n"
    text += "2026-03-01T08:03:00Z,nan,1\n2026-03-01T08:04:00Z,1e999,1\n2026-03-01T08:05:00Z,12.5,-1\n2026-03-01T08:05:00Z,12.5,-1\n"
    readings, battery = written(tmp_path, text)
    summary = json.loads(run(readings, "--battery", battery, "--json").output)
    assert [r["line"] for r in summary["rejected"]] == [3, 4, 5, 6, 7]
    assert "no zone" in summary["rejected"][2]["reason"]
    assert (summary["rows"], summary["duplicate"]) == (3, 1)


@pytest.mark.parametrize(
    ("battery", "said"),
    [
        (BATTERY.replace("agm", "nickel"), "chemistry = 'nickel': expected one of flooded, efb, agm, gel, lifepo4"),
        (BATTERY.replace("= 100", '= "100"'), "rated_capacity_ah = '100'"),
        (BATTERY + "colour = 3\n", "colour = 3: this key is not known here"),
        (BATTERY.replace("rated_capacity_ah = 100\n", ""), "rated_capacity_ah: this key is missing"),
        (BATTERY + "[sensor]\ncurrent_gain_pct = -1\n", "sensor.current_gain_pct = -1.0: expected a number from 0 to 100"),
        (BATTERY + "rest_voltage_table = [[0, 12.0], [50, 11.9], [100, 12.8]]\n", "both rising"),
        ("id = ", "is not TOML"),
    ],
)
def test_a_wrong_declaration_names_file_key_value_and_expectation(tmp_path: Path, battery: str, said: str) -> None:
    """A mistake in the battery's file stops with one line that tells how to mend it."""
    readings, path = written(tmp_path, "time_s,voltage_v\n0,12.5\n", battery)
    result = run(readings, "--battery", path)
    assert isinstance(result.exception, SettingsError)
    assert str(path) in str(result.exception)
    assert said in str(result.exception)


def test_a_file_that_is_no_recording_is_refused(tmp_path: Path) -> None:
    """A missing file, a folder, an image and a wrong header each give a clear error."""
    _, battery = written(tmp_path, "")
    (tmp_path / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n\x00\xff")
    (tmp_path / "header.csv").write_text("seconds,volts\n1,2\n")
    said = {
        "missing.csv": "cannot be read",
        "picture.csv": "not a text file",
        "header.csv": "expected time or time_s",
        "": "cannot be read",
    }
    for path, says in said.items():
        error = run(tmp_path / path, "--battery", battery).exception
        assert isinstance(error, SettingsError), path
        assert says in str(error)


def test_the_entry_point_turns_a_mistake_into_exit_code_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command ends with 2 and one readable line, not with a traceback."""
    import sys

    before = sys.argv
    sys.argv = ["restvolt", "replay", str(tmp_path / "none.csv"), "--battery", str(tmp_path / "none.toml")]
    try:
        with pytest.raises(SystemExit) as stopped:
            main()
    finally:
        sys.argv = before
    assert stopped.value.code == 2
    assert "none.toml: cannot be read" in capsys.readouterr().err
