"""What do the small text chunks say: LIST-INFO and cue points with their labels?

Conventions: cue positions are samples per channel from the start of the file. Source: Microsoft/IBM
Multimedia Programming Interface 1.0 (1991), ``LIST`` INFO, ``cue ``, ``LIST`` adtl with ``labl``.
"""

import struct
from collections.abc import Iterator

from takewell.wave.texts import read_text

_CUE = struct.Struct("<II4sIII")


def parse_info(payload: bytes) -> dict[str, str]:
    """Return the texts of a ``LIST`` payload of type INFO by their four-character id, else nothing."""
    if payload[:4] != b"INFO":
        return {}
    return {kind.decode("latin-1"): read_text(text) for kind, text in _members(payload)}


def parse_labels(payload: bytes) -> dict[int, str]:
    """Return the labels of a ``LIST`` payload of type adtl by their cue's number, else nothing."""
    if payload[:4] != b"adtl":
        return {}
    found = {}
    for kind, text in _members(payload):
        if kind == b"labl" and len(text) >= 4:
            found[int.from_bytes(text[:4], "little")] = read_text(text[4:])
    return found


def parse_cues(payload: bytes) -> list[tuple[int, int]]:
    """Return (number, sample position) of each whole entry of a ``cue `` payload."""
    if len(payload) < 4:
        return []
    count = min(int.from_bytes(payload[:4], "little"), (len(payload) - 4) // _CUE.size)
    entries = (_CUE.unpack_from(payload, 4 + k * _CUE.size) for k in range(count))
    return [(entry[0], entry[5]) for entry in entries]


def _members(payload: bytes) -> Iterator[tuple[bytes, bytes]]:
    position = 4
    while position + 8 <= len(payload):
        kind = payload[position : position + 4]
        size = int.from_bytes(payload[position + 4 : position + 8], "little")
        yield kind, payload[position + 8 : position + 8 + size]
        position += 8 + size + size % 2
