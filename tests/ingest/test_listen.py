"""Listening proposes a map that reads the sample, says why and what to check; calibration is two points and plain arithmetic."""

import asyncio
import tomllib
from pathlib import Path

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.reading import Reading
from ingest.calibrate import CalibrationError, Point, combined, two_points, zero
from ingest.ear import hear
from ingest.file_source import FileSettings
from ingest.formats import FORMATS
from ingest.listen import SIGN, cut, propose, shown
from ingest.mqtt_source import MqttSettings, MqttSource
from ingest.serial_source import SerialSettings
from tests.brokers import Broker
from tests.fakes.clock import RealClock
from tests.ingest.test_mqtt_source import publish, taken
from tests.ingest.test_serial_source import Cable

pytestmark = pytest.mark.anyio

JSON = [b'{"id": "van7", "ts": %d, "batt": {"voltage": 12.%d, "current": -%d.5}, "temp": 18.5, "seq": %d, "ok": true}' % (1772366400 + i, 60 + i, i, i) for i in range(5)]  # fmt: skip
PAIRS = [b"U=126%d;I=-34%d0;T=18;n=%d" % (20 + i, i, i) for i in range(5)]
COLUMNS = [b"2026-03-01T12:00:0%dZ,12.6%d,-3.%d,18.5" % (i, i, i) for i in range(5)]
WHOLE = [b"126%d;-4%d0" % (10 + i, i) for i in range(5)]
STRONG = [b"12.6%d;-280.%d" % (i, i) for i in range(5)]
TABS = [b"%d\t12,6%d\t-3,%d" % (i, i, i) for i in range(5)]
SHUNT = [b'{"u_mv": 1261%d, "shunt_mv": -0.3%d}' % (i, i) for i in range(5)]
SENML = [
    b'[{"bn":"urn:dev:ow:van7:","bt":1772366400,"n":"voltage","u":"V","v":12.6%d},{"n":"current","u":"A","v":-3.4}]' % i for i in range(5)
]
CBOR = [cbor2.dumps([{-2: "van7:", 0: "voltage", 1: "V", 2: 12.6 + i / 100}, {0: "current", 1: "A", 2: -3.4}]) for i in range(5)]
NMEA = [b"$IIXDR,U,12.62,V,Battery#0,I,-3.4,A,Battery#0,C,18.5,C,Battery#0*24", b"$YXXDR,C,7,C,*00"]


@pytest.mark.parametrize(
    ("sample", "decoder", "expected"),
    [
        (JSON, "json", {"voltage": "batt.voltage", "current": "batt.current", "temperature": "temp", "time": {"field": "ts", "kind": "unix_s"}, "sequence": "seq", "battery": "id"}),
        (PAIRS, "delimited", {"pairs": "=", "voltage": {"field": "U", "unit": "mV"}, "current": {"field": "I", "unit": "mA"}, "temperature": "T", "sequence": "n"}),
        (WHOLE, "delimited", {"delimiter": ";", "voltage": {"field": 1, "unit": "mV"}, "current": {"field": 2, "unit": "mA"}}),
        (STRONG, "delimited", {"delimiter": ";", "voltage": 1, "current": 2}),
        (COLUMNS, "delimited", {"delimiter": ",", "voltage": 2, "current": 3, "temperature": 4, "time": {"field": 1, "kind": "rfc3339"}}),
        (TABS, "delimited", {"delimiter": "\t", "decimal": ",", "voltage": 2, "current": 3}),
        (SHUNT, "json", {"voltage": {"field": "u_mv", "unit": "mV"}, "current": {"field": "shunt_mv", "unit": "mV", "shunt_ohm": 0.0001}}),
        (SENML, "senml", {"voltage": "voltage", "current": "current"}),
        (CBOR, "senml-cbor", {"voltage": "voltage", "current": "current"}),
        (NMEA, "nmea-xdr", {"voltage": "Battery#0", "current": "Battery#0", "temperature": "Battery#0"}),
        ([b"12.61", b"12.60", b"12.62"], "delimited", {"voltage": 1}),
    ],
    ids=["json", "pairs", "whole milliamperes", "a mover's amperes", "columns", "tabs", "shunt", "senml", "cbor", "nmea", "voltage only"],
)  # fmt: skip
def test_a_sample_becomes_a_map_that_reads_it(sample: list[bytes], decoder: str, expected: dict[str, object]) -> None:
    """The proposal names the right fields, reads the sample, and its TOML is what the settings accept."""
    proposal = propose(sample, "shunt")
    assert proposal is not None
    assert proposal.decoder == decoder
    for key, value in expected.items():
        assert proposal.settings[key] == value, (key, proposal.settings)
    assert proposal.readings >= len(sample) - 1
    assert proposal.example is not None
    assert 12 <= proposal.example.voltage_v <= 13
    section = tomllib.loads(proposal.toml)["format"]["shunt"]
    assert section.pop("decoder") == decoder
    FORMATS[decoder].settings.model_validate(section)
    assert (SIGN in proposal.remarks) == (proposal.settings.get("current") is not None)


@pytest.mark.parametrize("sample", [[], [b""], [b"hello", b"world"], [b"\x00\xff"], [b"[]"], [b"{}"], [b"1", b"2", b"3"]])
def test_nothing_is_proposed_where_nothing_looks_like_a_voltage(sample: list[bytes]) -> None:
    """Counters, greetings and noise give no proposal instead of a wrong one."""
    assert propose(sample) is None


@given(sample=st.lists(st.binary(max_size=120) | st.text('0123456789.,;= {}"-:vVuUiItT\t', max_size=60).map(str.encode), max_size=8))
@settings(max_examples=200, deadline=None)
def test_any_sample_gives_a_valid_proposal_or_none(sample: list[bytes]) -> None:
    """Listening to noise never fails; what is proposed is valid and reads something."""
    proposal = propose(sample)
    if proposal is not None:
        assert proposal.readings > 0
        section = tomllib.loads(proposal.toml)["format"]["sensor"]
        section.pop("decoder")
        FORMATS[proposal.decoder].settings.model_validate(section)


def test_a_stretch_of_a_stream_is_cut_into_whole_lines() -> None:
    """The halves at both ends are left out."""
    assert cut(b".6,1\r\n12.61,2\r\n12.62,3\r\n12.") == [b"12.61,2", b"12.62,3"]


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        (b"12.6 V\r\n", "12.6 V"),
        (b"\x01\x03\x04", "hex 01 03 04"),
        ("18 °C".encode(), "18 °C"),
        (b"7" * 500, "7" * 119 + "…"),
        (b"", "hex "),
    ],
)
def test_what_arrives_is_shown_readably(payload: bytes, text: str) -> None:
    """Text as one line, anything else as hex, nothing endless."""
    assert shown(payload) == text


@given(gain=st.floats(0.85, 1.15), offset=st.floats(-0.9, 0.9), low=st.floats(-100, 0), apart=st.floats(10, 200), turned=st.booleans())
def test_two_points_find_the_line_that_was_put_in(gain: float, offset: float, low: float, apart: float, turned: bool) -> None:
    """A current sensor with a known gain, offset and direction: after calibration it says what the meter says."""
    sign = -1.0 if turned else 1.0

    def says(true: float) -> float:
        return sign * (true - offset) / gain

    found = two_points("current", Point(says(low), low), Point(says(low + apart), low + apart))
    assert found.reversed == turned
    for true in (-50.0, 0.0, 33.3):
        said = -says(true) if found.reversed else says(true)
        assert said * found.scale + found.offset == pytest.approx(true, abs=1e-6)


@pytest.mark.parametrize("positive", ["charging", "discharging"])
@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize(("unit", "factor", "more"), [("A", 1.0, {}), ("mA", 0.001, {}), ("mV", 0.001 / 0.0001, {"shunt_ohm": 0.0001})])
def test_a_calibrated_map_makes_the_decoder_say_what_the_meter_said(
    positive: str, turned: bool, unit: str, factor: float, more: dict[str, float]
) -> None:
    """A sensor 4 % too high, 0.3 A off, in any unit and direction: after two points its decoder gives the true current everywhere."""
    in_map, wires = (1.0 if positive == "charging" else -1.0), (-1.0 if turned else 1.0)
    old_scale, old_offset = 1.01, 0.02

    def raw(true: float) -> float:
        """What the sensor sends while this current flows."""
        said = wires * (true * 1.04 + 0.3)
        return (said / in_map / factor - old_offset) / old_scale

    def decoded(true: float, scale: float, offset: float, positive: str) -> float:
        current = {"field": 2, "unit": unit, "scale": scale, "offset": offset, "positive": positive, **more}
        made = FORMATS["delimited"]
        (reading,) = made.decoder(made.settings.model_validate({"voltage": 1, "current": current}), "van7").message(
            f"12.6,{raw(true)!r}".encode(), 0
        )
        assert isinstance(reading, Reading)
        assert reading.current_a is not None
        return reading.current_a

    points = [Point(decoded(true, old_scale, old_offset, positive), true) for true in (-20.0, 5.0)]
    found = two_points("current", *points)
    assert found.reversed == turned
    after = {"charging": "discharging", "discharging": "charging"}[positive] if found.reversed else positive
    scale, offset = combined(old_scale, old_offset, found, factor, after)
    for true in (-150.0, -0.4, 0.0, 33.0):
        assert decoded(true, scale, offset, after) == pytest.approx(true, abs=1e-9)


@pytest.mark.parametrize(
    ("quantity", "low", "high", "said"),
    [
        ("temperature", Point(1, 1), Point(2, 2), "expected voltage or current"),
        ("voltage", Point(12.0, 12.0), Point(12.1, 12.1), "too close together: expected at least 0.5 V"),
        ("voltage", Point(12.0, 14.0), Point(14.0, 12.0), "exchanged"),
        ("voltage", Point(6.0, 12.0), Point(7.0, 14.0), "the divider first"),
        ("current", Point(0.0, 0.0), Point(5.0, 10.0), "check shunt_ohm and unit first"),
        ("current", Point(float("nan"), 0.0), Point(5.0, 5.0), "must be numbers"),
    ],
)
def test_points_that_cannot_be_meant_are_refused(quantity: str, low: Point, high: Point, said: str) -> None:
    """The message says what is wrong and what to look at."""
    with pytest.raises(CalibrationError, match=said):
        two_points(quantity, low, high)


def test_what_a_sensor_says_with_everything_off_is_its_offset() -> None:
    """A small rest is taken off; a large one is refused, because something is still on."""
    assert zero(0.12).offset == -0.12
    with pytest.raises(CalibrationError, match="still on"):
        zero(12.0)


def test_a_large_offset_and_a_wrong_sign_are_remarked() -> None:
    """The person is told to turn the sign in the map and to measure again with the load off."""
    found = two_points("current", Point(0.0, -1.5), Point(-20.0, 18.5))
    assert found.reversed
    assert any("positive" in remark for remark in found.remarks)
    assert any("large" in remark for remark in found.remarks)


async def test_listening_to_a_broker_leaves_nothing_behind_and_takes_nothing_away(tmp_path: Path) -> None:
    """It shows what comes and gives a sample that becomes a map; the service's own session gets every message all the same."""
    clock, lines = RealClock(), []
    with Broker(tmp_path) as broker:
        service = MqttSettings(host="127.0.0.1", port=broker.port, topic="readings/{battery}", format="json")
        async with MqttSource(service, clock) as source:
            hearing = asyncio.create_task(hear(service, clock, lines.append, most=5, seconds=20))
            while not hearing.done():
                await asyncio.to_thread(publish, broker.port, ("readings/van7", JSON[0], False))
            sample = await hearing
            assert sample == [JSON[0]] * 5, "no more than asked for"
            assert lines[0].startswith("mqtt:readings/van7: {")
            proposal = propose(sample)
            assert proposal is not None
            assert proposal.settings["voltage"] == "batt.voltage"
            assert len(await taken(source, 5)) >= 5


async def test_listening_to_a_serial_line_shows_its_lines(tmp_path: Path) -> None:
    """Whole lines are shown and sampled; the halves at both ends are left out of the sample."""
    clock, lines = RealClock(), []
    cable = Cable(tmp_path)
    try:
        hearing = asyncio.create_task(hear(SerialSettings(port=str(cable.path), format="?"), clock, lines.append, most=4, seconds=20))
        while not hearing.done():
            cable.say(b"2.6,-1\r\n12.61,-2\r\n12.62,-3\r\n12.63,-4\r\n12.")
            await asyncio.sleep(0.05)
        sample = await hearing
    finally:
        cable.unplug()
    assert sample[:3] == [b"12.61,-2", b"12.62,-3", b"12.63,-4"]
    assert "12.61,-2" in lines


async def test_listening_to_a_file_samples_all_of_it_and_silence_is_an_empty_sample(tmp_path: Path) -> None:
    """A file has no halves; where nothing comes in time the sample is empty."""
    clock, lines = RealClock(), []
    path = tmp_path / "capture.txt"
    path.write_bytes(b"12.60,-1\n12.61,-2\n12.62,-3")
    assert await hear(FileSettings(path=path, format="?"), clock, lines.append) == [b"12.60,-1", b"12.61,-2", b"12.62,-3"]
    cable = Cable(tmp_path)
    assert await hear(SerialSettings(port=str(cable.path), format="?"), clock, lines.append, seconds=0.2) == []
    cable.unplug()
