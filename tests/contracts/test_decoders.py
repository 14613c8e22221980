"""Every decoder: its captures mean what is written beside them, any way of cutting a stream gives the same, no bytes raise, memory stays bounded."""

import random
import sys
from itertools import pairwise
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.reading import Reading
from ingest.decoder import LONGEST_FRAME, LONGEST_MESSAGE, Decoder, Rejected
from ingest.formats import FORMATS
from tests.golden import GOLDEN, RECEIVED_MS, Golden, plain

EVERY = pytest.mark.parametrize("golden", GOLDEN, ids=[g.name for g in GOLDEN])
STREAMS = pytest.mark.parametrize(
    "golden", [g for g in GOLDEN if g.stream is not None], ids=[g.name for g in GOLDEN if g.stream is not None]
)
FUZZ_SEED = 8428
FUZZ_ROUNDS = 4000


def test_every_format_has_a_capture() -> None:
    """A format without a capture of its own is not tested."""
    assert {g.format for g in GOLDEN} == set(FORMATS)


@EVERY
def test_a_capture_means_what_is_written_beside_it(golden: Golden) -> None:
    """Each message alone gives exactly the readings and rejections that a person worked out by hand."""
    decoder = golden.decoder()
    found = [plain(result) for message in golden.messages for result in decoder.message(message, RECEIVED_MS)]
    assert found == golden.expected


@STREAMS
def test_a_stream_means_the_same_as_its_messages(golden: Golden) -> None:
    """The capture as one stream gives the same as message by message."""
    assert golden.stream is not None
    decoder = golden.decoder()
    found = [plain(r) for r in decoder.feed(golden.stream, RECEIVED_MS) + decoder.end(RECEIVED_MS)]
    assert found == golden.expected


@EVERY
@given(cuts=st.lists(st.integers(0, 5000), max_size=30), noise=st.binary(max_size=200), place=st.integers(0, 5000))
@settings(max_examples=60, deadline=None)
def test_any_way_of_cutting_gives_the_same(golden: Golden, cuts: list[int], noise: bytes, place: int) -> None:
    """A stream with noise somewhere in it, cut anywhere, gives the same as in one piece."""
    stream = b"".join(golden.messages) if golden.stream is None else golden.stream
    stream = stream[: place % (len(stream) + 1)] + noise + stream[place % (len(stream) + 1) :]
    whole, cut = golden.decoder(), golden.decoder()
    expected = whole.feed(stream, RECEIVED_MS) + whole.end(RECEIVED_MS)
    edges = [0, *sorted(c % (len(stream) + 1) for c in cuts), len(stream)]
    found: list[Reading | Rejected] = []
    for begin, end in pairwise(edges):
        found += cut.feed(stream[begin:end], RECEIVED_MS)
    found += cut.end(RECEIVED_MS)
    assert found == expected


@STREAMS
def test_the_next_good_line_after_noise_is_kept(golden: Golden) -> None:
    """Binary noise that ends with a line end costs itself only."""
    if golden.name == "senml-cbor":
        return
    decoder = golden.decoder()
    noise = random.Random(1).randbytes(3000).replace(b"\n", b"").replace(b"\r", b"") + b"\n"
    good = golden.messages[-1] + b"\n"
    results = decoder.feed(noise + good, RECEIVED_MS)
    assert isinstance(results[0], Rejected)
    assert plain(results[-1]) == golden.expected[-1]


@STREAMS
def test_a_line_of_ten_megabytes_is_rejected_once_and_its_memory_is_given_back(golden: Golden) -> None:
    """The endless line is one rejection with the beginning of its bytes; the line after it is kept; little memory is held."""
    decoder = golden.decoder()
    piece = b"7" * 8192
    results: list[Reading | Rejected] = []
    most = 0
    for _ in range(1280):
        results += decoder.feed(piece, RECEIVED_MS)
        most = max(most, _held(decoder))
    results += decoder.feed(b"\n" + golden.messages[-1] + b"\n", RECEIVED_MS)
    assert results[0] == Rejected("line too long", b"7" * 4096)
    assert [plain(r) for r in results[1:]] == [golden.expected[-1]]
    assert most <= LONGEST_FRAME + 2 * len(piece)


@EVERY
def test_a_message_beyond_the_longest_is_rejected(golden: Golden) -> None:
    """A message of more than a megabyte is one rejection (or, in registers, rejections), never a reading and never an exception."""
    results = golden.decoder().message(b"7" * (LONGEST_MESSAGE + 1), RECEIVED_MS)
    assert results
    assert all(isinstance(r, Rejected) and len(r.raw) <= 4096 for r in results)


@EVERY
def test_an_empty_message_is_nothing(golden: Golden) -> None:
    """The empty message that clears a retained one at a broker is neither reading nor mistake."""
    assert golden.decoder().message(b"", RECEIVED_MS) == []


@EVERY
def test_no_bytes_raise(golden: Golden, capsys: pytest.CaptureFixture[str]) -> None:
    """Thousands of messages bent at random (bits turned, pieces cut, doubled, swapped, noise put in) give readings within range or short reasons."""
    rng = random.Random(f"{FUZZ_SEED} {golden.name}")
    decoder = golden.decoder()
    readings = rejections = 0
    for _ in range(FUZZ_ROUNDS):
        message = bent(rng.choice(golden.messages), rng)
        for result in [*decoder.message(message, RECEIVED_MS), *decoder.feed(message + b"\n", RECEIVED_MS)]:
            if isinstance(result, Rejected):
                rejections += 1
                assert 0 < len(result.reason) <= 60
                assert len(result.raw) <= 4096
            else:
                readings += 1
                sane(result)
    decoder.end(RECEIVED_MS)
    assert rejections > 0
    with capsys.disabled():
        print(f"\nfuzz {golden.name}: {FUZZ_ROUNDS} messages, seed {FUZZ_SEED}: {readings} readings, {rejections} rejections, 0 exceptions")


@EVERY
@given(data=st.binary(max_size=600))
@settings(max_examples=100, deadline=None)
def test_arbitrary_bytes_never_raise(golden: Golden, data: bytes) -> None:
    """Any bytes whatever are readings within range or rejections."""
    decoder = golden.decoder()
    for result in [*decoder.message(data, RECEIVED_MS), *decoder.feed(data, RECEIVED_MS), *decoder.end(RECEIVED_MS)]:
        if isinstance(result, Reading):
            sane(result)


def bent(message: bytes, rng: random.Random) -> bytes:
    """One to four random accidents."""
    data = bytearray(message)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(data) + 1)
        match rng.randrange(6):
            case 0 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case 1:
                del data[at : at + rng.randrange(1, 12)]
            case 2:
                data[at:at] = rng.randbytes(rng.randrange(1, 12))
            case 3:
                data[at:at] = data[: rng.randrange(1, 40)]
            case 4:
                data[at:at] = rng.choice([b"NaN", b"1e999", b"-0", b'"', b"[[[[", b"9" * 400, b"\x00", b"\xff\xfe", b"{}", b"*", b"true"])
            case _ if data:
                data[at % len(data)] = rng.choice(b"0123456789eE+-.,:;{}[]\"'")
    return bytes(data)


def sane(reading: Reading) -> None:
    """What every reading that leaves a decoder is."""
    assert type(reading) is Reading
    assert type(reading.at_ms) is int
    assert reading.at_ms >= 0
    assert type(reading.voltage_v) is float
    assert 0 <= reading.voltage_v <= 100
    for value, low, high in ((reading.current_a, -5000, 5000), (reading.temperature_c, -127, 150), (reading.charge_ah, -1e6, 1e6)):
        assert value is None or (type(value) is float and low <= value <= high)
    assert type(reading.sequence) is int
    assert 0 <= reading.sequence < 2**63


def _held(thing: Any, depth: int = 0) -> int:
    """Bytes that a decoder holds on to, by looking at its slots."""
    if isinstance(thing, bytes | bytearray):
        return sys.getsizeof(thing)
    if depth > 3 or not hasattr(type(thing), "__slots__"):
        return 0
    return sum(_held(getattr(thing, name), depth + 1) for name in type(thing).__slots__ if hasattr(thing, name))


def test_the_measure_of_held_memory_sees_what_waits() -> None:
    """The check of memory would notice a decoder that keeps everything."""
    decoder: Decoder = next(g for g in GOLDEN if g.name == "json").decoder()
    decoder.feed(b"7" * 50_000, RECEIVED_MS)
    assert _held(decoder) >= 50_000


@pytest.mark.parametrize(
    ("name", "fields", "says"),
    [
        ("delimited", {"voltage": 1, "delimiter": ".", "decimal": "."}, "must differ"),
        ("delimited", {"voltage": "v", "pairs": "=", "columns": ["v"]}, "either pairs or columns"),
        ("delimited", {"voltage": 1, "pairs": "="}, "expected the key"),
        ("delimited", {"voltage": 0}, "counted from 1"),
        ("delimited", {"voltage": "v", "columns": ["w"]}, "a column number or one of columns"),
        ("json", {"voltage": {"field": "v", "scale": 0}}, "other than 0"),
        ("json", {"voltage": "v", "current": {"field": "i", "shunt_ohm": 2.0}}, "between 0.000001 and 1 ohm"),
        ("json", {"voltage": {"field": "v", "shunt_ohm": 0.0001}}, "only a current"),
        ("json", {"voltage": {"field": "v", "positive": "discharging"}}, "only current and charge"),
        ("json", {"voltage": {"field": "v", "unit": "A"}}, "expected one of V, mV"),
        ("senml", {"voltage": "voltage", "time": {"field": "t"}}, "carry their own time"),
        ("senml", {"voltage": "voltage", "battery": "b"}, "set base instead"),
    ],
)
def test_a_field_map_that_cannot_be_is_refused_with_its_reason(name: str, fields: dict[str, Any], says: str) -> None:
    """Before any byte comes, and in words that name what is expected."""
    with pytest.raises(ValueError, match=says):
        FORMATS[name].settings.model_validate(fields)


def _reasons(name: str, fields: dict[str, Any], payload: bytes, battery_id: str | None = "van7") -> list[str]:
    decoder = FORMATS[name].decoder(FORMATS[name].settings.model_validate(fields), battery_id)
    return [result.reason for result in decoder.message(payload, RECEIVED_MS) if isinstance(result, Rejected)]


@pytest.mark.parametrize(
    ("at", "kind", "at_ms"),
    [
        ("2026-06-30T23:59:60Z", "rfc3339", 1_782_864_000_000),
        ("2026-06-30T23:59:59.5+00:00", "rfc3339", 1_782_863_999_500),
        ("2026-06-30T12:59:60Z", "rfc3339", None),
        ("2026-02-30T12:00:00Z", "rfc3339", None),
        (1.5, "unix_s", 1_500),
        (-1, "unix_s", None),
        (253_402_300_800, "unix_s", None),
        (True, "unix_ms", None),
    ],
)
def test_times_are_those_of_rfc_3339_and_posix(at: object, kind: str, at_ms: int | None) -> None:
    """A leap second is the first of the next minute and stands at the end of a UTC day only; no time before 1970 or after 9999."""
    fields = {"voltage": "v", "time": {"field": "t", "kind": kind}}
    decoder = FORMATS["json"].decoder(FORMATS["json"].settings.model_validate(fields), "van7")
    (result,) = decoder.message(orjson.dumps({"v": 12.5, "t": at}), RECEIVED_MS)
    assert (result.at_ms if isinstance(result, Reading) else None) == at_ms


SENML = {"voltage": "voltage", "base": "urn:dev:ow:"}


@pytest.mark.parametrize(
    ("pack", "says"),
    [
        ([{"n": "urn:dev:ow:van7:voltage", "v": 12.5, "xx_": 1}], "SenML field that must be understood"),
        ([{"n": "urn:dev:ow:van7:voltage", "v": "12.5"}], "SenML field of the wrong kind"),
        ([{"n": "urn:dev:ow:van7:voltage", "vs": []}], "SenML value of the wrong kind"),
        ([{"n": "urn:dev:ow:van7:voltage"}], "SenML record without a value"),
        ([{"v": 12.5}], "SenML record without a name"),
        ([{"n": "urn:dev:ow:van7:voltage", "v": 12.5, "t": -1e12}], "not a time"),
        ([{"n": "urn:dev:ow:van7:voltage", "v": 12.5}] * 2, "the same name twice at one time"),
        ([{"n": "elsewhere:van7:voltage", "v": 12.5}], "no value of a known name"),
        ([{"n": "urn:dev:ow:van7:voltage", "v": 12.5, "u": "A"}], "voltage in an unknown unit"),
        ([{"n": "urn:dev:ow:van7:voltage", "v": 12.5, "bver": 11}], "unknown SenML version"),
        ([{"n": "x", "v": 1}] * 50_001, "too many records in one pack"),
        ([{"bn": "urn:dev:ow:van7:", "bver": 10}, {"n": "voltage", "v": 12.5}], None),
    ],
)  # fmt: skip
def test_a_pack_that_breaks_a_rule_of_rfc_8428_says_which(pack: list[dict[str, Any]], says: str | None) -> None:
    """Each as one counted rejection with a short reason; a record of bases alone is none."""
    assert _reasons("senml", SENML, orjson.dumps(pack), None) == ([] if says is None else [says])


def test_cbor_packs_are_lists_of_records() -> None:
    """RFC 8428, section 6: anything else is no pack, and what follows it is no CBOR."""
    assert _reasons("senml-cbor", SENML, b"\xa0", None) == ["not a SenML pack"]
    assert _reasons("senml-cbor", SENML, b"\x81\xa2\x00x\x17urn:dev:ow:van7:voltage\x02\xf9\x4a\x40\x00", None) == ["not CBOR"]


def test_numbers_that_are_none_and_names_that_are_too_long() -> None:
    """Lines: letters, an endless number, a sequence with a fraction and an id of 65 letters are each one rejection."""
    fields = {"voltage": 1, "current": 2, "sequence": 3, "battery": 4}
    good = b"12.5,-1.0,7,van7\n"
    assert _reasons("delimited", fields, good, None) == []
    for line, says in (
        (b"twelve,-1.0,7,van7\n", "voltage is not a number"), (b"12.5,-1e999,7,van7\n", "current is not finite"), (b"120.0,-1.0,7,van7\n", "voltage out of range"),
        (b"12.5,-1.0,7.5,van7\n", "sequence is not a whole number"), (b"12.5,-1.0,7," + b"v" * 65 + b"\n", "battery missing"), (b"\xff\xfe,1,2\n", "not text"),
    ):  # fmt: skip
        assert _reasons("delimited", fields, line, None) == [says]
    pairs = {"voltage": "v", "pairs": "=", "delimiter": ""}
    assert _reasons("delimited", pairs, b"v=12.5 v=12.6\n") == ["the same key twice"]
    assert _reasons("delimited", pairs, b"v=12.5 noise\n") == ["not a key and a value"]
