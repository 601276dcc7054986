"""How does a camera file count its timecode, and how is it packed into pictures?

MOV and MP4 files carry timecode as a track of its own, whose sample description says how it counts; transport streams carry it
inside the pictures. PyAV gives the first number as text, and the packed words of pictures; what they mean is read here.

Sources: QuickTime File Format, timecode sample description (flags, time scale, frame duration, number of frames);
ISO/IEC 13818-2, group_of_pictures_header (25 bits: drop flag, hours, minutes, marker, seconds, pictures);
SMPTE ST 12-1 digits in 32 bits as FFmpeg packs them (frames highest; above 30 a second they count pairs of pictures
and one bit tells the second of a pair), from memory.
"""

import struct
from collections.abc import Iterator
from fractions import Fraction

from takewell.errors import SettingError
from takewell.timecode import Timecode, TimecodeRate
from takewell.wave.byte_source import ByteSource

_DROP_FLAG = 1
_PATH = (b"moov", b"trak", b"mdia", b"minf", b"stbl", b"stsd")
_MOST_BOXES = 4096
"""In one box; an index is never that wide, damage is."""


def counted_rate(source: ByteSource) -> TimecodeRate | None:
    """Return how the first timecode track of a MOV or MP4 file counts; None where there is none or it makes no sense."""
    for start, end in _boxes_at(source, 0, source.size, _PATH):
        entry = source.read(start + 8, min(end - start - 8, 64))
        if len(entry) < 33 or entry[4:8] != b"tmcd":
            continue
        flags, scale, duration, count = struct.unpack(">IIIB", entry[20:33])
        if not scale or not duration:
            return None
        real = Fraction(scale, duration)
        try:
            return TimecodeRate(count, standard_rate(real), drop=bool(flags & _DROP_FLAG))
        except SettingError:
            return None
    return None


def standard_rate(real: Fraction) -> Fraction:
    """Return the exact rate a container's rounded one stands for: 2997/100 and 29970/1000 for 30000/1001.

    A rate within 0.02 % of N or N·1000/1001 is that one; those two lie 0.1 % apart. Any other is returned as it is.
    """
    for count in (24, 25, 30, 48, 50, 60, 100, 120):
        for exact in (Fraction(count), Fraction(count * 1000, 1001)):
            if abs(real - exact) < exact / 5000:
                return exact
    return real


def picture_group_timecode(packed: bytes, real: Fraction) -> Timecode | None:
    """Return the timecode of an MPEG-2 group of pictures, a 64-bit little-endian word of its 25 bits."""
    word = int.from_bytes(packed[:8], "little")
    return _timecode(word >> 19 & 31, word >> 13 & 63, word >> 6 & 63, word & 63, word >> 24 & 1, real)


def packed_timecode(packed: bytes, real: Fraction) -> Timecode | None:
    """Return the first timecode packed into a picture's side data, little-endian 32-bit words, their number first."""
    if len(packed) < 8 or not int.from_bytes(packed[:4], "little"):
        return None
    word = int.from_bytes(packed[4:8], "little")
    hours, minutes, seconds = (_bcd(word >> shift) for shift in (0, 8, 16))
    frames = _bcd(word >> 24 & 0x3F)
    second_of_pair = 0
    if real > 30:
        second_of_pair = word >> (7 if standard_rate(real) == 50 else 23) & 1
        frames = 2 * frames + second_of_pair
    return _timecode(hours & 31, minutes & 127, seconds & 127, frames, word >> 30 & 1, real)


def written_timecode(text: str, real: Fraction, counted: TimecodeRate | None = None) -> Timecode | None:
    """Return the timecode a container gives as text, at the rate of the timecode track if known, else of the pictures.

    None where the text does not fit the rate.
    """
    try:
        exact = standard_rate(real)
        drop = ";" in text or "." in text
        rate = counted or TimecodeRate(-(-exact.numerator // exact.denominator), exact, drop)
        return Timecode.parse(text.replace(";", ":").replace(".", ":"), rate)
    except SettingError:
        return None


def _timecode(
    hours: int, minutes: int, seconds: int, frames: int, drop: int, real: Fraction
) -> Timecode | None:
    mark = ";" if drop else ":"
    return written_timecode(f"{hours:02d}:{minutes:02d}:{seconds:02d}{mark}{frames:02d}", real)


def _bcd(digits: int) -> int:
    return 10 * (digits >> 4 & 7) + (digits & 15)


def _boxes_at(source: ByteSource, start: int, end: int, path: tuple[bytes, ...]) -> Iterator[tuple[int, int]]:
    """Yield the payloads (first byte, past the last) of all boxes at the end of a path of names."""
    for name, low, high in _boxes(source, start, end):
        if name == path[0]:
            if len(path) == 1:
                yield low, high
            else:
                yield from _boxes_at(source, low, high, path[1:])


def _boxes(source: ByteSource, start: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    for _ in range(_MOST_BOXES):
        header = source.read(start, 16)
        if start + 8 > end or len(header) < 8:
            return
        size, first = int.from_bytes(header[:4], "big"), start + 8
        if size == 1 and len(header) == 16:
            size, first = int.from_bytes(header[8:], "big"), start + 16
        after = end if size == 0 else start + size
        if after < first or after > end:
            return
        yield header[4:8], first, after
        start = after
