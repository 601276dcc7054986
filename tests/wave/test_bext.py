"""The broadcast extension against EBU Tech 3285 v2 and EBU R 98."""

import csv
import json
import math
import struct
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.wave import Bext, append_history, history_row
from takewell.wave.bext import build_bext, loudness_field, parse_bext

DATA = Path(__file__).parents[1] / "data" / "wave"
LAYOUT = {
    row["field"]: row
    for row in csv.DictReader((DATA / "bext_layout.csv").read_text(encoding="utf-8").splitlines())
}
EXAMPLES = json.loads((DATA / "rf64_example.json").read_text(encoding="utf-8"))

FULL = Bext(
    description="Harbour, wide",
    originator="Recorder",
    originator_reference="XX123456789012345678901234567890",
    origination_date="2031-02-03",
    origination_time="04:05:06",
    time_reference=(7 << 32) + 9,
    umid=bytes(range(1, 65)),
    loudness_value_lufs=-23.01,
    loudness_range_lu=5.5,
    max_true_peak_dbtp=-1.25,
    max_momentary_lufs=-18.0,
    max_short_term_lufs=-20.5,
    coding_history="A=PCM,F=48000,W=24,M=mono,T=first\r\n",
)


def field(payload: bytes, name: str) -> bytes:
    start, size = int(LAYOUT[name]["offset_in_chunk_data"]), LAYOUT[name]["size_bytes"]
    return payload[start:] if size == "var" else payload[start : start + int(size)]


@pytest.mark.outside
def test_every_field_lies_where_tech_3285_puts_it() -> None:
    payload = build_bext(FULL)
    expected = {
        "Description": b"Harbour, wide".ljust(256, b"\0"),
        "Originator": b"Recorder".ljust(32, b"\0"),
        "OriginatorReference": b"XX123456789012345678901234567890",
        "OriginationDate": b"2031-02-03",
        "OriginationTime": b"04:05:06",
        "TimeReferenceLow": struct.pack("<I", 9),
        "TimeReferenceHigh": struct.pack("<I", 7),
        "Version": struct.pack("<H", 2),
        "UMID": bytes(range(1, 65)),
        "LoudnessValue": struct.pack("<h", -2301),
        "LoudnessRange": struct.pack("<h", 550),
        "MaxTruePeakLevel": struct.pack("<h", -125),
        "MaxMomentaryLoudness": struct.pack("<h", -1800),
        "MaxShortTermLoudness": struct.pack("<h", -2050),
        "Reserved": bytes(180),
        "CodingHistory": b"A=PCM,F=48000,W=24,M=mono,T=first\r\n\0",
    }
    assert expected.keys() == LAYOUT.keys()
    assert {name: field(payload, name) for name in LAYOUT} == expected


def test_what_is_written_reads_back() -> None:
    assert parse_bext(build_bext(FULL)) == FULL
    assert parse_bext(build_bext(Bext())) == Bext()
    assert len(build_bext(Bext())) == 602


@pytest.mark.outside
@pytest.mark.parametrize(("value", "digits"), EXAMPLES["loudness"]["rows"])
def test_loudness_is_rounded_as_tech_3285_says(value: float, digits: str) -> None:
    assert loudness_field(value) & 0xFFFF == int(digits, 16)


@pytest.mark.parametrize("value", [None, math.inf, -math.inf, math.nan, 100.0, -120.0])
def test_a_loudness_that_does_not_exist_is_unused(value: float | None) -> None:
    assert loudness_field(value) == 0x7FFF
    assert parse_bext(build_bext(Bext(loudness_value_lufs=value))).loudness_value_lufs is None


@given(st.integers(-9999, 9999))
def test_hundredths_keep_their_value(hundredths: int) -> None:
    assert loudness_field(hundredths / 100) == hundredths


def test_version_0_has_no_umid_and_version_1_no_loudness() -> None:
    payload = bytearray(build_bext(FULL))
    payload[346:348] = b"\1\0"
    one = parse_bext(bytes(payload))
    assert (one.version, one.umid, one.loudness_value_lufs, one.max_true_peak_dbtp) == (
        1,
        FULL.umid,
        None,
        None,
    )
    payload[346:348] = b"\0\0"
    none = parse_bext(bytes(payload))
    assert (none.version, none.umid, none.loudness_value_lufs) == (0, bytes(64), None)
    assert (none.description, none.time_reference, none.coding_history) == (
        FULL.description,
        FULL.time_reference,
        FULL.coding_history,
    )


def test_a_version_of_the_future_reads_as_the_newest_known() -> None:
    payload = bytearray(build_bext(FULL))
    payload[346:348] = b"\x03\0"
    assert replace(parse_bext(bytes(payload)), version=2) == FULL


@pytest.mark.parametrize("length", [0, 1, 256, 338, 347, 601])
def test_a_short_chunk_is_read_as_far_as_it_goes(length: int) -> None:
    found = parse_bext(build_bext(FULL)[:length])
    assert found.description == "Harbour, wide"[:length]
    assert found.coding_history == ""


@pytest.mark.parametrize("code", ["utf-8", "cp1252"])
def test_texts_in_other_encodings_are_read(code: str) -> None:
    payload = "Brücke über Fluß".encode(code).ljust(602, b"\0")
    assert parse_bext(payload).description == "Brücke über Fluß"


def test_a_character_cut_by_the_end_of_its_field_is_dropped() -> None:
    payload = (b"a" * 255 + "ü".encode() + bytes(400))[:602]
    cut = payload[:256] + bytes(602 - 256)
    assert parse_bext(cut).description == "a" * 255


def test_bytes_of_no_encoding_are_read_all_the_same() -> None:
    assert len(parse_bext(b"\x81\x8d\x90".ljust(602, b"\0")).description) == 3


def test_text_is_written_in_ascii() -> None:
    payload = build_bext(Bext(description="Café – Fluß „Ø“ 東"))
    assert field(payload, "Description").rstrip(b"\0") == b'Cafe - Fluss ?O" ?'


def test_a_long_description_ends_in_dots() -> None:
    found = parse_bext(build_bext(Bext(description="x" * 300)))
    assert found.description == "x" * 253 + "..."
    assert parse_bext(build_bext(Bext(description="x" * 256))).description == "x" * 256


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"originator": "x" * 33}, "originator 'x+' has 33 characters; bext holds 32"),
        ({"originator_reference": "x" * 33}, "originator_reference"),
        (
            {"origination_date": "2031-02-003"},
            "origination_date '2031-02-003' has 11 characters; bext holds 10",
        ),
        ({"origination_time": "04:05:006"}, "origination_time"),
        ({"time_reference": -1}, "time_reference -1 is not a sample count"),
        ({"time_reference": 2**64}, "not a sample count"),
        ({"umid": bytes(65)}, "UMID has 65 bytes"),
    ],
)
def test_what_does_not_fit_is_refused(changes: dict, words: str) -> None:
    with pytest.raises(SettingError, match=words):
        build_bext(replace(Bext(), **changes))


ASCII = st.text(st.characters(min_codepoint=32, max_codepoint=126))


@given(
    ASCII.map(lambda text: text[:256]), st.integers(0, 2**64 - 1), st.binary(min_size=64, max_size=64),
    st.lists(ASCII.filter(str.strip), max_size=5),
)  # fmt: skip
def test_round_trip(description: str, time_reference: int, umid: bytes, rows: list[str]) -> None:
    history = "".join(f"{row}\r\n" for row in rows)
    bext = Bext(description=description, time_reference=time_reference, umid=umid, coding_history=history)
    assert parse_bext(build_bext(bext)) == bext


@given(st.binary(max_size=1000))
def test_any_bytes_are_read(payload: bytes) -> None:
    assert isinstance(parse_bext(payload), Bext)


# EBU R 98 (1999) prints its rows as A=PCM,F=48000,W=16,M=stereo,T=...; for float and for more than two channels
# it has no word, so these stand in the free text.
@pytest.mark.parametrize(
    ("encoding", "channels", "text", "row"),
    [
        ("int16", 2, "original", "A=PCM,F=48000,W=16,M=stereo,T=original"),
        ("int24", 1, "levelled, dithered", "A=PCM,F=48000,W=24,M=mono,T=levelled; dithered"),
        ("float32", 1, "original", "A=PCM,F=48000,W=32,M=mono,T=float; original"),
        ("int24", 14, "copy\r\nof", "A=PCM,F=48000,W=24,T=14 channels; copy of"),
        ("float32", 8, "", "A=PCM,F=48000,W=32,T=float; 8 channels"),
    ],
)
def test_history_rows(encoding, channels: int, text: str, row: str) -> None:
    assert history_row(encoding, 48_000, channels, text) == row


def test_a_mode_of_r98_can_be_named() -> None:
    assert history_row("int16", 48_000, 2, "x", mode="dual-mono") == "A=PCM,F=48000,W=16,M=dual-mono,T=x"


@pytest.mark.parametrize(
    "old", ["A=PCM,F=48000\r\n", "A=PCM,F=48000", "A=PCM,F=48000\n", "\r\nA=PCM,F=48000\r\n\r\n"]
)
def test_a_step_appends_a_row_closed_by_cr_lf(old: str) -> None:
    assert (
        append_history(Bext(coding_history=old), "A=PCM,T=2").coding_history
        == "A=PCM,F=48000\r\nA=PCM,T=2\r\n"
    )
    assert append_history(Bext(), "A=PCM").coding_history == "A=PCM\r\n"
