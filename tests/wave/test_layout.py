"""The bytes before the audio, held against libsndfile's and the standards' own."""

import json
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.wave.layout import ChunkSize, chunk_start, fact_payload, file_start, format_payload

EXAMPLE = json.loads((Path(__file__).parents[1] / "data" / "wave" / "rf64_example.json").read_text())["rf64"]


@pytest.mark.outside
def test_the_64_bit_header_is_libsndfile_s_but_for_the_sizes() -> None:
    """libsndfile's example is RF64 although small; at 4 GiB ours must have the same fields in the same places."""
    example = bytes.fromhex(EXAMPLE["hex"])
    length = 500_000_000
    start = file_start([ChunkSize(b"fmt ", 40), ChunkSize(b"data", length * 12)], length)
    assert len(start) == len(example) == 48
    assert start[:20] == example[:20]
    riff, data, samples, entries = struct.unpack("<QQQI", start[20:])
    assert (riff, data, samples, entries) == (48 - 8 + 48 + 8 + length * 12, length * 12, length, 0)
    example_riff, example_data, example_samples, example_entries = struct.unpack("<QQQI", example[20:])
    assert (example_data, example_samples, example_entries) == (
        12 * EXAMPLE["length_samples"],
        EXAMPLE["length_samples"],
        0,
    )
    assert example_riff - example_data == riff - data


def test_small_files_keep_a_reserve_in_the_same_place() -> None:
    start = file_start([ChunkSize(b"fmt ", 16), ChunkSize(b"data", 10)], 5)
    assert start[:4] == b"RIFF"
    assert start[8:20] == b"WAVEJUNK" + struct.pack("<I", 28)
    assert struct.unpack("<I", start[4:8])[0] == len(start) - 8 + 24 + 18


# RIFF's size field is the file's length less 8 and FFFFFFFFh is taken (EBU Tech 3306), so a file of 2^32 + 6 bytes is the
# longest that stays RIFF: 36 + 12 bytes before the chunks, 24 of fmt, 8 before the audio.
@pytest.mark.parametrize(
    ("size", "form"), [(2**32 - 2 - 72, b"RIFF"), (2**32 - 2 - 70, b"RF64"), (2**33, b"RF64")]
)
def test_where_riff_ends_rf64_begins(size: int, form: bytes) -> None:
    chunks = [ChunkSize(b"fmt ", 16), ChunkSize(b"data", size)]
    start = file_start(chunks, size // 2)
    assert start[:4] == form
    assert len(start) == 48
    if form == b"RIFF":
        assert struct.unpack("<I", start[4:8])[0] == len(start) + 24 + 8 + size - 8
    large = form == b"RF64"
    assert chunk_start(chunks[1], large=large) == b"data" + struct.pack("<I", 2**32 - 1 if large else size)
    assert chunk_start(chunks[0], large=large) == b"fmt " + struct.pack("<I", 16)


def test_bw64_always_has_ds64_and_no_sample_count() -> None:
    """ITU-R BS.2088: the third 64-bit field is a dummy, written 0."""
    start = file_start([ChunkSize(b"data", 10)], 5, bw64=True)
    assert start[:20] == b"BW64\xff\xff\xff\xffWAVEds64" + struct.pack("<I", 28)
    assert struct.unpack("<QQQI", start[20:]) == (48 - 8 + 18, 10, 0, 0)


def test_another_chunk_above_4_gib_goes_into_the_table() -> None:
    chunks = [ChunkSize(b"axml", 2**33), ChunkSize(b"data", 10)]
    start = file_start(chunks, 5)
    assert struct.unpack("<I", start[16:20])[0] == 40
    assert struct.unpack("<QQQI4sQ", start[20:])[1:] == (10, 5, 1, b"axml", 2**33)
    assert chunk_start(chunks[0], large=True) == b"axml\xff\xff\xff\xff"


# Microsoft, "Multiple channel audio data and WAVE files": PCM GUID bytes 0100 0000 0000 1000 8000 00aa 0038 9b71.
@pytest.mark.outside
@pytest.mark.parametrize(
    ("encoding", "mask", "digits"),
    [
        ("int24", None, "01000200 80bb0000 00650400 06001800"),
        ("float32", None, "03000200 80bb0000 00dc0500 08002000 0000"),
        (
            "int24",
            3,
            "feff0200 80bb0000 00650400 06001800 1600 1800 03000000 0100000000001000800000aa00389b71",
        ),
        (
            "float32",
            0,
            "feff0200 80bb0000 00dc0500 08002000 1600 2000 00000000 0300000000001000800000aa00389b71",
        ),
    ],
)
def test_format_chunks(encoding, mask: int | None, digits: str) -> None:
    assert format_payload(encoding, 48_000, 2, mask) == bytes.fromhex(digits)


def test_a_sample_count_beyond_32_bits_is_marked() -> None:
    assert fact_payload(10) == struct.pack("<I", 10)
    assert fact_payload(2**32) == b"\xff\xff\xff\xff"


@pytest.mark.outside
def test_the_example_is_what_libsndfile_writes(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((4, 4)), 48_000, "PCM_24", format="RF64")
    assert (tmp_path / "a.wav").read_bytes()[:48] == bytes.fromhex(EXAMPLE["hex"])
