"""What does a broadcast extension say, and how is one written?

Conventions: byte offsets as EBU Tech 3285 v2 (May 2011), clause 2.3; 602 bytes and then the coding history.
Loudness fields are 100 times the value, rounded to the nearest, ties away from zero (clause 2.4), 7FFFh where
unused. Coding history rows follow EBU R 98 (1999): ``A=,F=,W=,M=,T=``, each closed by CR LF.
"""

import math
import re
import struct
from dataclasses import replace
from decimal import ROUND_HALF_UP, Decimal
from typing import Any, Literal

from takewell.errors import SettingError
from takewell.wave.sample_format import SAMPLE_BYTES
from takewell.wave.texts import ascii_bytes, read_text
from takewell.wave.values import Bext, Encoding

FIXED_BYTES = 602
UNUSED_LOUDNESS = 0x7FFF
_LARGEST_LOUDNESS = 9_999
"""Loudness fields hold -99.99 to 99.99."""
_LAYOUT = struct.Struct("<256s32s32s10s8sQH64s5h180x")
_TEXTS = (
    ("description", 256), ("originator", 32), ("originator_reference", 32),
    ("origination_date", 10), ("origination_time", 8),
)  # fmt: skip
_LOUDNESS = (
    "loudness_value_lufs", "loudness_range_lu", "max_true_peak_dbtp",
    "max_momentary_lufs", "max_short_term_lufs",
)  # fmt: skip

assert _LAYOUT.size == FIXED_BYTES


def parse_bext(payload: bytes) -> Bext:
    """Return the fields of a ``bext`` payload of any version.

    Never fails: a short chunk is read as if zeros followed, texts in any encoding are read as well as can
    be. UMID is zeros before version 1, loudness None before version 2.
    """
    fields = _LAYOUT.unpack(payload[:FIXED_BYTES].ljust(FIXED_BYTES, b"\0"))
    values: dict[str, Any] = {
        name: read_text(data, width) for (name, width), data in zip(_TEXTS, fields[:5], strict=True)
    }
    time_reference, version, umid = fields[5:8]
    if version >= 2:
        values |= {name: _loudness(value) for name, value in zip(_LOUDNESS, fields[8:], strict=True)}
    return Bext(
        **values,
        time_reference=time_reference,
        version=version,
        umid=umid if version >= 1 else bytes(64),
        coding_history=read_text(payload[FIXED_BYTES:]),
    )


def build_bext(bext: Bext) -> bytes:
    """Return the ``bext`` payload of version 2, of even length, for `bext`, whatever version it was read from.

    A description longer than 256 characters is cut and ends in ``...``; the whole text belongs into iXML.

    Raises
    ------
    SettingError
        If another text does not fit its field, the time reference is no unsigned 64-bit number or the UMID
        longer than 64 bytes.
    """
    texts = []
    for name, width in _TEXTS:
        data = ascii_bytes(getattr(bext, name))
        if name == "description" and len(data) > width:
            data = data[: width - 3] + b"..."
        if len(data) > width:
            raise SettingError(f"{name} {data.decode()!r} has {len(data)} characters; bext holds {width}.")
        texts.append(data)
    if not 0 <= bext.time_reference < 2**64:
        raise SettingError(f"time_reference {bext.time_reference} is not a sample count of 0 to 2^64 - 1.")
    if len(bext.umid) > 64:
        raise SettingError(f"the UMID has {len(bext.umid)} bytes; bext holds 64.")
    loudness = [loudness_field(getattr(bext, name)) for name in _LOUDNESS]
    fixed = _LAYOUT.pack(*texts, bext.time_reference, 2, bext.umid, *loudness)
    history = ascii_bytes("\r\n".join(_rows(bext.coding_history)))
    payload = fixed + (history + b"\r\n" if history else b"")
    return payload + bytes(
        len(payload) % 2
    )  # libsndfile 1.2 does not skip the pad byte of an odd chunk in RF64


def loudness_field(value: float | None) -> int:
    """Return the 16-bit number for a loudness of `value` (LUFS, LU or dBTP).

    100 times the value, to the nearest whole number with ties away from zero (EBU Tech 3285 v2, 2.4); 7FFFh
    where there is none or it lies outside -99.99 to 99.99. The tie is judged on the decimal digits that
    Python prints, so 12.765 is a tie although its binary form is not.
    """
    if value is None or not math.isfinite(value):
        return UNUSED_LOUDNESS
    hundredths = int((Decimal(repr(float(value))) * 100).quantize(Decimal(1), ROUND_HALF_UP))
    return hundredths if abs(hundredths) <= _LARGEST_LOUDNESS else UNUSED_LOUDNESS


def _loudness(field: int) -> float | None:
    return field / 100 if abs(field) <= _LARGEST_LOUDNESS else None


def history_row(
    encoding: Encoding,
    rate: int,
    channels: int,
    text: str,
    *,
    mode: Literal["mono", "stereo", "dual-mono", "joint-stereo"] | None = None,
) -> str:
    """Return one row of coding history (EBU R 98), without its line end.

    `mode` defaults to mono or stereo by the channel count; R 98 has no word for more channels, so their number
    stands in the free text. Commas in `text` become semicolons, as R 98 asks.
    """
    parts = ["A=PCM", f"F={rate}", f"W={SAMPLE_BYTES[encoding] * 8}"]
    word = mode or {1: "mono", 2: "stereo"}.get(channels)
    notes = [re.sub(r"\s+", " ", text.replace(",", ";")).strip()]
    if word:
        parts.append(f"M={word}")
    else:
        notes.insert(0, f"{channels} channels")
    if encoding.startswith("float"):
        notes.insert(0, "float")
    return ",".join([*parts, "T=" + "; ".join(note for note in notes if note)])


def append_history(bext: Bext, row: str) -> Bext:
    """Return `bext` with `row` after the rows its coding history has."""
    return replace(bext, coding_history="".join(f"{line}\r\n" for line in [*_rows(bext.coding_history), row]))


def _rows(history: str) -> list[str]:
    return [row for row in re.split(r"\r\n|\r|\n", history) if row.strip()]
