"""The fmt chunk: what it may say, and what is made of contradictions."""

import struct
from pathlib import Path

import pytest

from takewell.errors import FileError
from takewell.wave.sample_format import parse_format

PATH = Path("take.wav")
PCM_GUID = bytes.fromhex("0100000000001000800000aa00389b71")  # Microsoft, KSDATAFORMAT_SUBTYPE_PCM
FLOAT_GUID = bytes.fromhex("0300000000001000800000aa00389b71")  # KSDATAFORMAT_SUBTYPE_IEEE_FLOAT
AMBISONIC_PCM_GUID = bytes.fromhex("010000002107d3118644c8c1ca000000")  # B-format, common practice
AMBISONIC_FLOAT_GUID = bytes.fromhex("030000002107d3118644c8c1ca000000")


def plain(
    tag: int = 1,
    channels: int = 1,
    rate: int = 48_000,
    bits: int = 16,
    block: int | None = None,
    byte_rate: int | None = None,
) -> bytes:
    block = channels * -(-bits // 8) if block is None else block
    byte_rate = rate * block if byte_rate is None else byte_rate
    return struct.pack("<HHIIHH", tag, channels, rate, byte_rate % 2**32, block % 2**16, bits)


def extensible(guid: bytes, channels: int, bits: int, valid: int, mask: int) -> bytes:
    return plain(0xFFFE, channels, bits=bits) + struct.pack("<HHI", 22, valid, mask) + guid


@pytest.mark.parametrize(
    ("tag", "bits", "encoding"),
    [
        (1, 8, "uint8"),
        (1, 16, "int16"),
        (1, 24, "int24"),
        (1, 32, "int32"),
        (3, 32, "float32"),
        (3, 64, "float64"),
    ],
)
@pytest.mark.parametrize("channels", [1, 2, 14, 64])
@pytest.mark.parametrize("rate", [8_000, 44_100, 47_952, 48_000, 96_000, 192_000, 384_000])
def test_plain_formats(tag: int, bits: int, encoding: str, channels: int, rate: int) -> None:
    found = parse_format(plain(tag, channels, rate, bits), PATH)
    assert (found.encoding, found.channels, found.rate, found.valid_bits) == (encoding, channels, rate, bits)
    assert found.block_bytes == channels * bits // 8
    assert found.channel_mask is None
    assert not found.oddities


@pytest.mark.parametrize(
    ("guid", "bits", "encoding", "ambisonic"),
    [
        (PCM_GUID, 24, "int24", False),
        (FLOAT_GUID, 32, "float32", False),
        (AMBISONIC_PCM_GUID, 24, "int24", True),
        (AMBISONIC_FLOAT_GUID, 32, "float32", True),
    ],
)
def test_extensible_formats(guid: bytes, bits: int, encoding: str, ambisonic: bool) -> None:
    found = parse_format(extensible(guid, 4, bits, bits, 0), PATH)
    assert (found.encoding, found.ambisonic, found.channel_mask) == (encoding, ambisonic, 0)


def test_twenty_bits_in_three_bytes() -> None:
    found = parse_format(extensible(PCM_GUID, 2, 24, 20, 3), PATH)
    assert (found.encoding, found.valid_bits, found.channel_mask, found.oddities) == ("int24", 20, 3, ())


def test_twenty_bits_in_a_plain_chunk_take_three_bytes() -> None:
    assert parse_format(plain(bits=20), PATH).encoding == "int24"
    assert parse_format(plain(bits=20), PATH).valid_bits == 20


def test_more_valid_bits_than_there_are_is_told() -> None:
    found = parse_format(extensible(PCM_GUID, 2, 16, 24, 3), PATH)
    assert (found.encoding, found.valid_bits) == ("int16", 16)
    assert "24 valid bits in words of 16 bits" in found.oddities[0]


def test_a_block_size_that_lies_is_told_and_computed() -> None:
    found = parse_format(plain(channels=2, bits=24, block=4), PATH)
    assert found.block_bytes == 6
    assert found.oddities == (
        "The header's block size of 4 bytes does not fit 2 channels of 24 bits; 6 bytes were taken.",
    )


def test_wider_words_are_believed_when_block_and_byte_rate_agree() -> None:
    found = parse_format(plain(channels=2, bits=24, block=8), PATH)
    assert (found.encoding, found.block_bytes, found.valid_bits) == ("int32", 8, 24)
    assert "24-bit samples in words of 32 bits" in found.oddities[0]


def test_a_block_size_of_zero_is_computed() -> None:
    assert parse_format(plain(channels=2, block=0), PATH).block_bytes == 4


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (plain(channels=0), "zero channels"),
        (plain(channels=65), "65 channels, and 1 to 64 are read"),
        (plain(channels=65_535), "65535 channels"),
        (plain(rate=0), "sampling rate of 0 Hz"),
        (plain(rate=4_000), "sampling rate of 4000 Hz, and 8 to 384 kHz are read"),
        (plain(rate=2**32 - 1, byte_rate=0), "sampling rate of 4294967295 Hz"),
        (plain(bits=0), "0-bit integer samples"),
        (plain(bits=64), "64-bit integer samples"),
        (plain(tag=3, bits=16), "16-bit float samples"),
        (plain()[:14], "holds 14 bytes, and 16 are needed"),
        (plain(0xFFFE), "calls itself extensible but holds 16 bytes"),
        (
            extensible(bytes(range(16)), 2, 16, 16, 3),
            "sample format 000102030405060708090a0b0c0d0e0f is not known",
        ),
    ],
)
def test_what_cannot_be_true_is_refused_in_a_sentence(payload: bytes, words: str) -> None:
    with pytest.raises(FileError, match=rf"^take\.wav cannot be read: .*{words}.*\.$"):
        parse_format(payload, PATH)
