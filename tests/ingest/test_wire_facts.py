"""Decoders against published documents: SenML (RFC 8428), times (RFC 3339), checksums (NMEA 0183, Modbus), shunts."""

import cbor2
import orjson
import pytest
from pymodbus.framer.rtu import FramerRTU

from analytics.reading import Reading
from ingest.decoder import Rejected
from ingest.formats import FORMATS
from ingest.formats.modbus_registers import frame_of
from ingest.formats.nmea_xdr import checksum
from ingest.formats.senml import LABELS, RELATIVE_BELOW_S, VERSIONS, SenmlError, resolve
from ingest.formats.times import rfc3339_ms, time_ms
from tests.outside import ROWS, fact

RFC_8428_5_1_2 = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,
   "bu":"A","bver":5,
   "n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2},
  {"n":"current","t":-4,"v":1.3},
  {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5},
  {"n":"current","t":-1,"v":1.6},
  {"n":"current","v":1.7}
]"""
"""RFC 8428 section 5.1.2, third example, as printed there."""


def decode(name: str, settings: dict[str, object], message: bytes, received_ms: int = 0) -> list[Reading | Rejected]:
    made = FORMATS[name]
    return made.decoder(made.settings.model_validate(settings), "van7").message(message, received_ms)


def test_the_records_of_rfc_8428_are_resolved_as_its_section_4_6_says() -> None:
    """Base name, time and unit are added to every record: RFC 8428 sections 4.6 and 5.1.2."""
    records = resolve(orjson.loads(RFC_8428_5_1_2))
    assert [(r.name.removeprefix("urn:dev:ow:10e2073a0108006:"), r.unit, r.value) for r in records] == [
        ("voltage", "V", 120.1), ("current", "A", 1.2), ("current", "A", 1.3), ("current", "A", 1.4), ("current", "A", 1.5), ("current", "A", 1.6), ("current", "A", 1.7),
    ]  # fmt: skip
    assert [r.time_s for r in records] == pytest.approx([1276020076.001, *(1276020076.001 - i for i in (5, 4, 3, 2, 1, 0))], abs=1e-6)


def test_the_single_datapoint_of_rfc_8428_has_no_base_and_no_time() -> None:
    """RFC 8428 section 5.1.1: a name, a unit and a value are a whole record, and its time is now."""
    (record,) = resolve(orjson.loads(b'[{"n":"urn:dev:ow:10e2073a01080063","u":"Cel","v":23.1}]'))
    assert record == ("urn:dev:ow:10e2073a01080063", "Cel", 23.1, 0.0, None)


def test_a_pack_in_cbor_means_the_same_as_in_json() -> None:
    """RFC 8428 section 6: the labels of table 4 stand for the names of the JSON form."""
    number_of = {name: label for label, name in LABELS.items()}
    pack = [{number_of[k]: v for k, v in row.items()} for row in orjson.loads(RFC_8428_5_1_2.replace(b"120.1", b"12.01"))]
    settings: dict[str, object] = {"voltage": "voltage", "current": "current"}
    in_json = decode("senml", settings, RFC_8428_5_1_2.replace(b"120.1", b"12.01"))
    in_cbor = decode("senml-cbor", settings, cbor2.dumps(pack))
    assert in_cbor[0] == in_json[0]
    assert in_cbor[0] == Reading("van7", 1_276_020_076_001, 12.01, 1.7)
    assert [type(r) for r in in_json[1:]] == [Rejected] * 5


def test_senml_labels_are_those_of_the_registered_table() -> None:
    """RFC 8428 section 12.2: base fields are negative, the others count from 0."""
    assert [LABELS[i] for i in (-2, -3, -4, -5, -6, -1)] == ["bn", "bt", "bu", "bv", "bs", "bver"]
    assert [LABELS[i] for i in range(9)] == ["n", "u", "v", "vs", "vb", "s", "t", "ut", "vd"]


def test_senml_versions_and_relative_times_are_those_of_the_documents() -> None:
    """The default version, the one with secondary units, and the edge of relative times."""
    assert fact("SENML-BVER").value in VERSIONS
    assert fact("SENML-BVER-SEC").value in VERSIONS
    assert fact("SENML-REL").value == RELATIVE_BELOW_S
    edge = int(fact("SENML-REL").value)
    pack = b'[{"n":"voltage","u":"V","v":12.5,"t":%d}]'
    assert decode("senml", {"voltage": "voltage"}, pack % edge, 1000) == [Reading("van7", edge * 1000, 12.5)]
    assert decode("senml", {"voltage": "voltage"}, pack % -1, 5000) == [Reading("van7", 4000, 12.5)]


def test_an_ampere_hour_is_as_many_coulombs_as_the_table_says() -> None:
    """RFC 8798: Ah is C with a factor."""
    pack = b'[{"n":"voltage","u":"V","v":12.5},{"n":"charge","u":"C","v":%d}]' % (-fact("SENML-AH").value)
    (reading,) = decode("senml", {"voltage": "voltage", "charge": "charge"}, pack)
    assert isinstance(reading, Reading)
    assert reading.charge_ah == pytest.approx(-1.0)


def test_a_base_value_and_a_base_sum_are_added() -> None:
    """RFC 8428 section 4.6: value = base value + value, sum = base sum + sum; a record may have a sum alone."""
    records = resolve([{"bn": "a", "bv": 10.0, "bs": 100.0, "v": 2.6}, {"n": "b", "s": 5.0}])
    assert [(r.name, r.value, r.sum) for r in records] == [("a", 12.6, 100.0), ("ab", None, 105.0)]


@pytest.mark.parametrize("pack", [{}, [], [3], [{"n": "a"}], [{"v": 1.0}], [{"n": 1, "v": 1.0}], [{"n": "a", "v": 1.0, "bver": 11}]])
def test_a_pack_that_breaks_the_rules_is_refused(pack: object) -> None:
    """What RFC 8428 does not allow is a SenmlError with a short reason."""
    with pytest.raises(SenmlError):
        resolve(pack)


def test_the_times_of_rfc_3339_are_read_as_its_section_5_8_says() -> None:
    """The worked example of the document, and the same instant in another zone."""
    expected = int(fact("RFC3339-EX").value) * 1000
    assert rfc3339_ms("1996-12-19T16:39:57-08:00") == expected
    assert rfc3339_ms("1996-12-20T00:39:57Z") == expected
    assert rfc3339_ms("1996-12-20t00:39:57.000-00:00") == expected


def test_a_leap_second_is_the_first_second_of_the_next_day() -> None:
    """RFC 3339 section 5.8: 1990-12-31T23:59:60Z is a time, and so is it in a zone 8 hours behind; POSIX clocks give it the next number."""
    assert rfc3339_ms("1990-12-31T23:59:60Z") == rfc3339_ms("1991-01-01T00:00:00Z")
    assert rfc3339_ms("1990-12-31T15:59:60-08:00") == rfc3339_ms("1991-01-01T00:00:00Z")


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("2026-03-01T12:00:00", "time without zone"), ("2026-03-01", "not a time"), ("2026-13-01T12:00:00Z", "not a time"),
        ("2026-02-30T12:00:00Z", "not a time"), ("2026-03-01T24:00:00Z", "not a time"), ("2026-03-01T12:00:60Z", "not a time"),
        ("20260301T120000Z", "not a time"), ("2026-W09-7T12:00:00Z", "not a time"), ("2026-03-01T12:00:00+01", "not a time"),
        ("2026-03-01T12:00:00+25:00", "not a time"), ("٢٠٢٦-03-01T12:00:00Z", "not a time"), ("1969-12-31T23:59:59Z", "not a time"), ("", "not a time"),
    ],
)  # fmt: skip
def test_what_rfc_3339_does_not_allow_is_no_time(text: str, reason: str) -> None:
    """Naive times, other calendars' forms and impossible days are refused with the reason."""
    assert rfc3339_ms(text) == reason


@pytest.mark.parametrize("raw", [True, "1772366400", None, float("nan"), float("inf"), -1, 10**30])
def test_what_is_no_count_of_seconds_is_no_time(raw: object) -> None:
    """Booleans, texts, NaN, infinities and times before 1970 or after 9999 are no times."""
    assert time_ms(raw, "unix_s") == "not a time"


def test_checksums_of_transducer_sentences_are_those_published() -> None:
    """NMEA 0183: exclusive-or of what stands between $ and *; one flipped bit anywhere is noticed."""
    assert checksum(b"YXXDR,C,7,C") == int(ROWS["NMEA-CK1"]["value"], 16)
    sentence = b"IIXDR,U,12.62,V,Battery#0,I,-3.4,A,Battery#0,C,18.5,C,Battery#0"
    assert checksum(sentence) == int(ROWS["NMEA-CK2"]["value"], 16)
    good = b"$" + sentence + b"*" + ROWS["NMEA-CK2"]["value"].encode()
    assert len(good) + 2 <= fact("NMEA-MAX").value
    assert decode("nmea-xdr", {}, good) == [Reading("van7", 0, 12.62, -3.4, 18.5)]
    for at in range(1, len(good)):
        flipped = bytearray(good)
        flipped[at] ^= 1
        assert all(isinstance(r, Rejected) for r in decode("nmea-xdr", {}, bytes(flipped))), at


@pytest.mark.parametrize(
    ("frame", "row"),
    [("01 03 00 00 00 0A", "MB-FRAME1"), ("01 03 00 02 00 01", "MB-FRAME2"), ("01 03 04 05 02 FF F4", "MB-FRAME3"), ("01 83 02", "MB-EXC")],
)
def test_the_library_on_the_wire_makes_the_published_checksums(frame: str, row: str) -> None:
    """Modbus over serial line, CRC-16: low byte first, as in the worked frames."""
    assert FramerRTU.compute_CRC(bytes.fromhex(frame)).to_bytes(2, "big") == bytes.fromhex(ROWS[row]["value"])


def test_register_words_are_read_as_the_published_reply_means() -> None:
    """The reply 05 02 FF F4 is 1282 and −12 (Modbus application protocol: high byte first, two's complement)."""
    settings: dict[str, object] = {"voltage": {"field": 0, "scale": 0.01}, "current": {"field": 1, "kind": "int16", "scale": 0.1}}
    (reading,) = decode("modbus", settings, frame_of(0, [0x0502, 0xFFF4]))
    assert isinstance(reading, Reading)
    assert (reading.voltage_v, reading.current_a) == (pytest.approx(12.82), pytest.approx(-1.2))


@pytest.mark.parametrize(
    ("rated_a", "rated_mv", "row"), [(50, 75, "SH-50-75-R"), (100, 75, "SH-100-75-R"), (300, 75, "SH-300-75-R"), (500, 50, "SH-500-50-R")]
)
def test_a_shunt_at_its_rated_voltage_carries_its_rated_current(rated_a: int, rated_mv: int, row: str) -> None:
    """I = U / R with the resistance of the catalogue: at the rated millivolts the rated amperes."""
    current = {"field": 2, "unit": "mV", "shunt_ohm": fact(row).value / 1000}
    (reading,) = decode("delimited", {"voltage": 1, "current": current}, b"12.6,%d" % -rated_mv)
    assert isinstance(reading, Reading)
    assert reading.current_a == pytest.approx(-rated_a, rel=1e-9)


def test_a_converter_word_becomes_amperes_with_its_sign() -> None:
    """−3.4 A on 0.1 mΩ with 2.5 µV a step is the word −136 = 0xFF78, and back."""
    assert int(ROWS["ADC-NEG-HEX"]["value"], 16) - 2**16 == fact("ADC-NEG").value
    current = {"field": 1, "kind": "int16", "unit": "mV", "scale": 0.0025, "shunt_ohm": 0.0001}
    (reading,) = decode("modbus", {"voltage": {"field": 0, "scale": 0.00125}, "current": current}, frame_of(0, [9584, 0xFF78]))
    assert isinstance(reading, Reading)
    assert reading.current_a == pytest.approx(-3.4)
    assert reading.voltage_v == pytest.approx(fact("ADC-BUS").value)


def test_a_reversed_shunt_is_turned_in_the_map() -> None:
    """With `positive = "discharging"` a sensor that counts what leaves the battery gives a negative current; the charge turns with it."""
    turned = {"positive": "discharging"}
    settings: dict[str, object] = {"voltage": 1, "current": {"field": 2, **turned}, "charge": {"field": 3, **turned}}
    assert decode("delimited", settings, b"12.6,3.4,10") == [Reading("van7", 0, 12.6, -3.4, None, -10.0)]


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"voltage": {"field": 1, "unit": "A"}}, "expected one of V, mV"),
        ({"voltage": {"field": 1, "shunt_ohm": 0.001}}, "only a current has a shunt_ohm"),
        ({"voltage": {"field": 1, "positive": "discharging"}}, "only current and charge have a sign"),
        ({"voltage": {"field": 1, "scale": 0}}, "scale must be a number other than 0"),
        ({"voltage": {"field": 1, "scael": 2}}, "scael"),
        ({"voltage": 1, "current": {"field": 2, "shunt_ohm": 100}}, "shunt_ohm must be between"),
        ({"voltage": "U"}, "expected a column number or one of columns"),
        ({"voltage": 0}, "columns are counted from 1"),
        ({"voltage": 1, "delimiter": ",", "decimal": ","}, "must differ"),
        ({}, "voltage"),
    ],
)
def test_a_map_that_cannot_be_meant_is_refused(settings: dict[str, object], said: str) -> None:
    """Wrong units, signs, columns and unknown keys stop the start with the key and what was expected."""
    with pytest.raises(ValueError, match=said):
        FORMATS["delimited"].settings.model_validate(settings)


@pytest.mark.parametrize(
    ("name", "settings", "said"),
    [
        ("senml", {"voltage": "voltage", "time": {"field": "t"}}, "carry their own time"),
        ("senml", {"voltage": "voltage", "battery": "b"}, "set base instead of battery"),
        ("nmea-xdr", {"charge": "Battery#0"}, "a transducer sentence has none"),
        ("modbus", {"voltage": {"field": 70_000}}, "0 to 65535"),
        ("delimited", {"voltage": "u", "pairs": "=", "columns": ["u"]}, "either pairs or columns"),
        ("delimited", {"voltage": 1, "pairs": "="}, "expected the key before"),
        ("delimited", {"voltage": {"field": 1, "offset": float("nan")}}, "offset a number"),
    ],
)
def test_a_map_that_a_format_cannot_have_is_refused(name: str, settings: dict[str, object], said: str) -> None:
    """What a format has no place for is said where it stands."""
    with pytest.raises(ValueError, match=said):
        FORMATS[name].settings.model_validate(settings)


def test_named_columns_are_counted_and_found() -> None:
    """With `columns` a line must have as many cells, and a header line is skipped once."""
    settings: dict[str, object] = {"voltage": "u", "current": "i", "columns": ["i", "u"], "header": True, "delimiter": ";"}
    made = FORMATS["delimited"]
    decoder = made.decoder(made.settings.model_validate(settings), "van7")
    results = decoder.feed(b"amps;volts\n-3.4;12.62\n-3.4\n", 0)
    assert results == [Reading("van7", 0, 12.62, -3.4), Rejected("wrong number of columns", b"-3.4")]


def test_a_senml_name_tells_the_battery_where_the_source_does_not() -> None:
    """With `base` the resolved name is base, battery and field; names of other things are passed over."""
    made = FORMATS["senml"]
    decoder = made.decoder(made.settings.model_validate({"voltage": "voltage", "base": "urn:dev:ow:"}), None)
    pack = b'[{"bn":"urn:dev:ow:van7:","n":"voltage","u":"V","v":12.5},{"bn":"urn:dev:mac:x:","n":"voltage","u":"V","v":12.4},{"bn":"urn:dev:ow:van8:","n":"voltage","u":"V","v":12.3}]'
    assert decoder.message(pack, 7) == [Reading("van7", 7, 12.5), Reading("van8", 7, 12.3)]


def test_a_json_payload_tells_the_battery_where_the_source_does_not() -> None:
    """The battery field is used only if neither source nor topic says it; an id that is no short text is none."""
    made = FORMATS["json"]
    fields = made.settings.model_validate({"voltage": "u", "battery": "b"})
    anyone = made.decoder(fields, None)
    assert anyone.message(b'{"u": 12.5, "b": "van8"}', 0) == [Reading("van8", 0, 12.5)]
    assert anyone.message(b'{"u": 12.5, "b": 7}', 0) == [Reading("7", 0, 12.5)]
    for bad in (
        b'{"u": 12.5}',
        b'{"u": 12.5, "b": ""}',
        b'{"u": 12.5, "b": true}',
        b'{"u": 12.5, "b": "a\\u0000b"}',
        b'{"u": 12.5, "b": "' + b"x" * 65 + b'"}',
    ):
        assert anyone.message(bad, 0) == [Rejected("battery missing", bad)]
    assert made.decoder(fields, "van7").message(b'{"u": 12.5, "b": "van8"}', 0) == [Reading("van7", 0, 12.5)], (
        "the topic's rights decide, not the payload"
    )
