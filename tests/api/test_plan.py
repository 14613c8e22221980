"""Plans and candidate lists from files: what is right is read, what is wrong is told with file, line, key, value and expectation."""

import io
import json
import tomllib
from pathlib import Path

import pytest
from rich.console import Console

from api.budget_cli import as_json, budget, print_budget
from api.mistakes import SettingsError
from api.plan import plan_of, read_candidates, read_plan

GOOD = """name = "Two weeks in spring"
days_away = 4
temperature_c = 8

[[consumer]]
name = "fridge"
power_w = 45
hours = 24
duty_pct = 35

[[consumer]]
name = "lamps"
current_a = 1.2
hours = 4

[[burst]]
name = "mover"
current_a = 110
seconds = 90
per_day = 1

[inverter]
efficiency_pct = 88
standby_w = 8
hours = 3

[sun]
latitude_deg = 48
month = 4
panel_w = 120

[charger]
current_a = 18
absorption_v = 14.4

[battery]
chemistry = "agm"
rated_capacity_ah = 95
burst_limit_a = 150

[tray]
length_mm = 360
width_mm = 180
height_mm = 200
"""
CANDIDATES = """name,chemistry,rated_capacity_ah,rated_hours,rated_cycles,length_mm,width_mm,height_mm,weight_kg,burst_limit_a,price
Plain one,flooded,100,20,300,350,175,190,26,90,110
Big one,agm,300,20,600,350,175,190,30,200,310
Light one,lifepo4,150,5,3000,330,172,190,13,150,650
"""


def written(tmp_path: Path, text: str, name: str = "plan.toml") -> Path:
    """A file with this text."""
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_good_plan_is_read(tmp_path: Path) -> None:
    """Every table of the sample arrives where it belongs."""
    plan = read_plan(written(tmp_path, GOOD))
    assert [c.name for c in plan.consumers] == ["fridge", "lamps"]
    assert plan.bursts[0].current_a == 110
    assert plan.sun is not None
    assert (plan.sun.month, plan.days_away, plan.tray.height_mm) == (4, 4, 200)
    assert plan.battery is not None
    assert plan.battery.chemistry == "agm"


@pytest.mark.parametrize(
    ("old", "new", "line", "told"),
    [
        ("hours = 24", "hours = -3", 8, "consumer 1 (fridge), hours = -3: expected hours a day from 0 to 24"),
        ("hours = 24", "hours = 25", 8, "consumer 1 (fridge), hours = 25: expected hours a day from 0 to 24"),
        ("power_w = 45\n", "", 5, "consumer 1 (fridge), neither power_w nor current_a"),
        ("power_w = 45", "power_w = 45\ncurrent_a = 3.7", 8, "consumer 1 (fridge), both power_w and current_a"),
        ("power_w = 45", 'power_w = "45 W"', 7, "power_w = '45 W': expected watts from 0.001 to 20000, a number without its unit"),
        ("current_a = 1.2", "current_a = true", 13, "consumer 2 (lamps), current_a = True: expected amperes"),
        ('chemistry = "agm"', 'chemistry = "lead"', 37, "battery, chemistry = 'lead': expected one of flooded, efb, agm, gel, lifepo4"),
        ("rated_capacity_ah = 95", "rated_capacity_ah = 0", 38, "battery, rated_capacity_ah = 0: expected ampere-hours from 1 to 5000"),
        ("month = 4", "month = 13", 29, "sun, month = 13: expected a whole number from 1 to 12"),
        ("month = 4\n", "", 27, "sun, month: this key is missing"),
        ("days_away = 4", "days_away = nan", 2, "days_away = nan: expected days"),
        ("days_away = 4", "days_off = 4", 2, "days_off: this key is not known here"),
        ("temperature_c = 8", "nominal_v = 13", 3, "nominal_v = 13: expected 12, 24 or 48"),
        ("seconds = 90", "minutes = 2", 19, "burst 1 (mover), minutes: this key is not known here"),
        ("[charger]\ncurrent_a = 18", "[charger]", 32, "charger, current_a: this key is missing"),
    ],
)
def test_each_mistake_names_file_line_key_and_expectation(tmp_path: Path, old: str, new: str, line: int, told: str) -> None:
    """A wrong plan is refused with one line that a person can act on."""
    assert old in GOOD
    path = written(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(SettingsError) as caught:
        read_plan(path)
    assert any(said.startswith(f"line {line}: ") and told in said for said in caught.value.lines), caught.value.lines
    assert str(path) in str(caught.value)


def test_a_plan_without_consumers_or_that_is_no_toml_is_refused(tmp_path: Path) -> None:
    """Nothing to add up, broken syntax, and a file that is not there are each said."""
    for text, told in (
        ('name = "x"', "at least one [[consumer]]"),
        ("name = ", "is not TOML"),
        ('name = "x"\nconsumer = 3', "expected tables [[consumer]]"),
    ):
        with pytest.raises(SettingsError, match=r"plan\.toml") as caught:
            read_plan(written(tmp_path, text))
        assert told in str(caught.value)
    with pytest.raises(SettingsError, match="cannot be read"):
        read_plan(tmp_path / "none.toml")


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    """Two mistakes give two lines."""
    with pytest.raises(SettingsError) as caught:
        read_plan(written(tmp_path, GOOD.replace("hours = 24", "hours = 25").replace("month = 4", "month = 0")))
    assert len(caught.value.lines) == 2


def test_candidates_are_read_with_comma_or_semicolon(tmp_path: Path) -> None:
    """Both separators give the same batteries; an empty cell is unknown, not zero."""
    one = read_candidates(written(tmp_path, CANDIDATES, "a.csv"))
    other = read_candidates(written(tmp_path, CANDIDATES.replace(",", ";"), "b.csv"))
    assert one == other
    assert one[2].chemistry == "lifepo4"
    no_weight = read_candidates(written(tmp_path, CANDIDATES.replace(",26,", ",,"), "c.csv"))
    assert no_weight[0].weight_kg is None


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("flooded,100", "wet,100", "line 2: chemistry = 'wet': expected one of"),
        (",110\n", ",0\n", "line 2: price = '0': expected a price"),
        (",110\n", ",\n", "line 2: price is empty"),
        (",110\n", "\n", "line 2: expected as many fields"),
        ("rated_hours", "rate", "line 1: column rate is not known here"),
        (",price", ",cost", "line 1: column price is missing"),
        ("350,175", "35 cm,175", "line 2: length_mm = '35 cm': expected millimetres"),
    ],
)
def test_each_mistake_in_candidates_names_its_line(tmp_path: Path, old: str, new: str, told: str) -> None:
    """A wrong list is refused with the line and what was expected."""
    with pytest.raises(SettingsError) as caught:
        read_candidates(written(tmp_path, CANDIDATES.replace(old, new, 1), "c.csv"))
    assert any(told in line for line in caught.value.lines), caught.value.lines


def test_empty_lists_are_refused(tmp_path: Path) -> None:
    """No header, and no batteries, are each said."""
    for text in ("", CANDIDATES.splitlines()[0]):
        with pytest.raises(SettingsError):
            read_candidates(written(tmp_path, text, "c.csv"))


def test_the_whole_budget_is_printed_and_given_as_json(tmp_path: Path) -> None:
    """From files to tables and sentences, and the same figures for machines."""
    worked, weighed = budget(written(tmp_path, GOOD), written(tmp_path, CANDIDATES, "c.csv"))
    out = io.StringIO()
    print_budget(worked, weighed, Console(file=out, width=200))
    text = out.getvalue()
    for expected in ("fridge", "mover: 110 A for 90 s", "at least, Ah (20 h)", "1. ", "per kWh", "panels at 48° N"):
        assert expected in text
    plain = json.loads(json.dumps(as_json(worked, weighed)))
    assert set(plain["required_ah"]) == {"flooded", "efb", "agm", "gel", "lifepo4"}
    assert [c["candidate"]["name"] for c in plain["candidates"]] == [w.candidate.name for w in weighed]
    assert plain["daily_ah"] == pytest.approx(worked.daily_ah, abs=0.01)


def test_a_plan_from_a_request_is_the_plan_from_the_file(tmp_path: Path) -> None:
    """The same keys as JSON give the same plan; a mistake is told without a line, for there is none."""
    data = tomllib.loads(GOOD)
    assert plan_of(data) == read_plan(written(tmp_path, GOOD))
    data["consumer"][0]["hours"] = 25
    with pytest.raises(SettingsError) as caught:
        plan_of(data)
    assert caught.value.lines == ["consumer 1 (fridge), hours = 25: expected hours a day from 0 to 24"]
    with pytest.raises(SettingsError, match=r"at least one"):
        plan_of({"name": "x"})
