"""One small bad file per mistake: the start is stopped with file, key, value and what was expected."""

from pathlib import Path

import pytest

from api.mistakes import SettingsError
from api.settings import load

HERE = Path(__file__).parent
SAID = {
    "unknown_key": "colour = 3: this key is not known here",
    "unknown_web_key": "web.prt = 8900: this key is not known here",
    "port_is_a_word": "web.port = 'door'",
    "port_out_of_range": "source.1.port = 70000",
    "wrong_unit": "current.unit = 'mAh': expected one of A, mA",
    "wrong_chemistry": "battery.heron.chemistry = 'nickel': expected one of flooded, efb, agm, gel, lifepo4",
    "capacity_is_a_text": "battery.heron.rated_capacity_ah = '110'",
    "capacity_is_zero": "battery.heron.rated_capacity_ah = 0.0: expected ampere-hours from 1 to 5000",
    "no_chemistry": "battery.heron.chemistry: this key is missing",
    "battery_twice": "the id 'heron' is declared twice",
    "unknown_sensor_key": "battery.otter.sensor.measures_curent",
    "unknown_decoder": "format.shunt.decoder = 'delimted': expected one of delimited, json",
    "unknown_format": "format = 'barn': expected one of the [format.…] of this file",
    "unknown_battery": "battery = 'swan': expected the id of a declared [[battery]]",
    "unknown_source_kind": "source.1",
    "no_voltage": "format.shunt.voltage: this key is missing",
    "bad_topic": "expected {battery} once and as a whole level",
    "commit_too_rare": "keep.commit_every_s = 600",
    "person_without_address": "a person without an address cannot be told",
    "not_toml": "is not TOML",
}


def test_every_bad_file_has_its_sentence() -> None:
    """No bad file lies around untested."""
    assert {p.stem for p in (HERE / "bad").glob("*.toml")} == set(SAID)


@pytest.mark.parametrize("name", SAID)
def test_a_mistake_is_told_with_file_key_value_and_expectation(name: str) -> None:
    """The message names the file and says what is wrong in one line that a person can mend it from."""
    path = HERE / "bad" / f"{name}.toml"
    with pytest.raises(SettingsError) as mistake:
        load(path)
    assert str(path) in str(mistake.value)
    assert SAID[name] in str(mistake.value)
    assert len(mistake.value.lines) == 1


def test_a_good_file_is_taken_whole() -> None:
    """Defaults fill what is not said; a lithium battery has four cells unless told otherwise; paths start at the file's folder."""
    settings = load(HERE / "good.toml")
    assert settings.data == HERE / "kept"
    assert [b.cells for b in settings.batteries] == [6, 4]
    assert [s.kind for s in settings.source] == ["serial", "mqtt"]
    assert settings.push.people[0].name == "Ada"


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    """A missing file is a mistake of its own."""
    with pytest.raises(SettingsError, match="cannot be read"):
        load(tmp_path / "none.toml")
