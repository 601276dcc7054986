"""Is a file one that cameras write, by its first bytes?

Sources: ISO/IEC 14496-12 (MOV, MP4: a box with a known name first), SMPTE ST 377-1 (MXF: the key of a header partition;
files with anything before it are not looked for), ISO/IEC 13818-1 (transport stream: a packet of 188 bytes begins with 47h,
on cards often after four bytes of arrival time), RFC 8794 (Matroska).
"""

from typing import Literal

Kind = Literal["mov", "mxf", "mpegts", "matroska"]

START_BYTES = 4 + 3 * 192
"""How much of the beginning is looked at."""

_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip", b"pnot")
_HEADER_PARTITION = bytes.fromhex("060e2b34020501010d010201")
_EBML = bytes.fromhex("1a45dfa3")
_SYNC_BYTE = 0x47


def picture_kind(start: bytes) -> Kind | None:
    """Return the container that a file's first `START_BYTES` tell of, None for any other file."""
    if start[4:8] in _BOXES:
        return "mov"
    if start.startswith(_HEADER_PARTITION):
        return "mxf"
    if start.startswith(_EBML):
        return "matroska"
    for first, packet in ((0, 188), (4, 192)):
        places = range(first, first + 3 * packet, packet)
        if len(start) > places[-1] and all(start[place] == _SYNC_BYTE for place in places):
            return "mpegts"
    return None
