"""How are a file's samples stored? The ``fmt `` chunk, judged.

Conventions: `block_bytes` is one sample of every channel. Sources: Microsoft/IBM Multimedia Programming
Interface 1.0 (1991) for the plain chunk; Microsoft "Multiple channel audio data and WAVE files" (2007) for
WAVE_FORMAT_EXTENSIBLE: wFormatTag FFFEh, cbSize 22, wValidBitsPerSample, dwChannelMask, SubFormat.
"""

import struct
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import FileError
from takewell.wave.values import Encoding

PCM, IEEE_FLOAT, EXTENSIBLE = 0x0001, 0x0003, 0xFFFE
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")
"""Bytes 2 to 15 of a SubFormat that only wraps a 16-bit format tag."""
AMBISONIC_TAIL = bytes.fromhex("00002107d3118644c8c1ca000000")
"""The same bytes of the B-format SubFormats 00000001/3-0721-11D3-8644-C8C1CA000000 (common practice)."""

LOWEST_RATE, HIGHEST_RATE = 7_992, 384_384
"""8 to 384 kHz, pulled down and up by 0.1 %."""
MOST_CHANNELS = 64

_INTEGERS: dict[int, Encoding] = {1: "uint8", 2: "int16", 3: "int24", 4: "int32"}
_FLOATS: dict[int, Encoding] = {4: "float32", 8: "float64"}
SAMPLE_BYTES: dict[Encoding, int] = {
    "uint8": 1,
    "int16": 2,
    "int24": 3,
    "int32": 4,
    "float32": 4,
    "float64": 8,
}


@dataclass(frozen=True)
class SampleFormat:
    """What the ``fmt `` chunk says, with contradictions resolved."""

    tag: int
    """The format tag, taken from SubFormat where the chunk is extensible."""
    encoding: Encoding | None
    """None for a compressed format, which is libsndfile's to decode."""
    rate: int
    channels: int
    valid_bits: int
    channel_mask: int | None
    ambisonic: bool
    oddities: tuple[str, ...] = ()

    @property
    def block_bytes(self) -> int:
        """Bytes of one sample of every channel; 0 for a compressed format."""
        return SAMPLE_BYTES[self.encoding] * self.channels if self.encoding else 0


def parse_format(payload: bytes, path: Path) -> SampleFormat:
    """Return the sample format that a ``fmt `` payload describes.

    Raises
    ------
    FileError
        If it is too short, or says no channels, more than 64, an impossible rate or word length.
    """
    if len(payload) < 16:
        raise FileError(
            f"{path} cannot be read: its fmt chunk holds {len(payload)} bytes, and 16 are needed."
        )
    tag, channels, rate, byte_rate, block, bits = struct.unpack_from("<HHIIHH", payload)
    valid, mask, ambisonic = bits, None, False
    oddities: list[str] = []
    if tag == EXTENSIBLE:
        if len(payload) < 40:
            raise FileError(
                f"{path} cannot be read: its fmt chunk calls itself extensible but holds {len(payload)} bytes "
                "where 40 are needed."
            )
        valid, mask = struct.unpack_from("<HI", payload, 18)
        tag = struct.unpack_from("<H", payload, 24)[0]
        ambisonic = payload[26:40] == AMBISONIC_TAIL
        if payload[26:40] not in (GUID_TAIL, AMBISONIC_TAIL):
            raise FileError(f"{path} cannot be read: its sample format {payload[24:40].hex()} is not known.")
    if channels == 0:
        raise FileError(f"{path} cannot be read: its header says zero channels.")
    if channels > MOST_CHANNELS:
        raise FileError(
            f"{path} cannot be read: its header says {channels} channels, and 1 to {MOST_CHANNELS} are read."
        )
    if not LOWEST_RATE <= rate <= HIGHEST_RATE:
        raise FileError(
            f"{path} cannot be read: its header says a sampling rate of {rate} Hz, and 8 to 384 kHz are read."
        )
    if tag not in (PCM, IEEE_FLOAT):
        return SampleFormat(tag, None, rate, channels, bits, mask, ambisonic)

    words = _INTEGERS if tag == PCM else _FLOATS
    width = -(-bits // 8)
    wider, rest = divmod(block, channels)
    if tag == PCM and rest == 0 and wider > width and wider in words and byte_rate == rate * block:
        oddities.append(
            f"The header says {bits}-bit samples in words of {wider * 8} bits; they were read as the upper bits "
            "of those words."
        )
        valid, width = bits, wider
    elif block != width * channels:
        oddities.append(
            f"The header's block size of {block} bytes does not fit {channels} channels of {bits} bits; "
            f"{width * channels} bytes were taken."
        )
    if width not in words:
        kind = "integer" if tag == PCM else "float"
        raise FileError(
            f"{path} cannot be read: its header says {bits}-bit {kind} samples, which do not exist."
        )
    if not 0 < valid <= width * 8:
        if valid != 0:
            oddities.append(
                f"The header says {valid} valid bits in words of {width * 8} bits; all bits were taken as valid."
            )
        valid = width * 8
    return SampleFormat(tag, words[width], rate, channels, valid, mask, ambisonic, tuple(oddities))
