"""How are the takes of a roll kept in its logbook, so that a large roll opens at once?

Conventions: one JSON value; lists in the order of the fields of `roll.values`, whose names stand in the state it belongs
to: takes that were kept by another version, of other media, or under other notes or labels are not the takes of this roll.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import fields
from fractions import Fraction
from functools import lru_cache
from operator import attrgetter
from typing import Any

import takewell
from takewell.roll.values import MediaFile, Piece, Take, Track
from takewell.timecode import Timecode, TimecodeRate

_KINDS = (Take, MediaFile, Track, Piece)
_NAMES = {kind: tuple(field.name for field in fields(kind)) for kind in _KINDS}
_VALUES = {kind: attrgetter(*names) for kind, names in _NAMES.items()}


def state_of(media: Iterable[Sequence[Any]], texts: Iterable[bytes]) -> str:
    """Return what tells one state of a roll from another.

    Parameters
    ----------
    media : iterable
        What is known of each file: path, size, time of change, hash.
    texts : iterable of bytes
        The text files a person may edit.
    """
    state = hashlib.sha256(f"{takewell.__version__} {_NAMES}".encode())
    for row in media:
        state.update(repr(tuple(row)).encode("utf-8", "surrogateescape"))
    for text in texts:
        state.update(hashlib.sha256(text).digest())
    return state.hexdigest()


def takes_to_json(takes: Sequence[Take]) -> list[Any]:
    """Return takes as JSON knows them."""
    return [_row(take) for take in takes]


def takes_from_json(kept: list[Any]) -> tuple[Take, ...]:
    """Return takes that `takes_to_json` wrote.

    Raises
    ------
    ValueError, TypeError, KeyError
        If it did not.
    """
    return tuple(_take(row) for row in kept)


def _row(value: Any) -> Any:
    if isinstance(value, _KINDS):
        return [_row(part) for part in _VALUES[type(value)](value)]
    if isinstance(value, tuple):
        return [_row(part) for part in value]
    if isinstance(value, Timecode):
        return [value.frames, *_row(value.rate)]
    if isinstance(value, TimecodeRate):
        return [value.count, value.real.numerator, value.real.denominator, value.drop]
    return value


def _take(row: list[Any]) -> Take:
    named = dict(zip(_NAMES[Take], row, strict=True))
    if named["start"] is not None:
        frames, *rate = named["start"]
        named["start"] = Timecode(frames, _rate(*rate))
    if named["timecode_rate"] is not None:
        named["timecode_rate"] = _rate(*named["timecode_rate"])
    named["files"] = tuple(_media(file) for file in named["files"])
    named["tracks"] = tuple(_track(track) for track in named["tracks"])
    named["warnings"] = tuple(named["warnings"])
    return Take(**named)


_RECOVERIES = _NAMES[MediaFile].index("recoveries")
_PIECES, _GAINS = (_NAMES[Track].index(name) for name in ("pieces", "gains"))


def _media(row: list[Any]) -> MediaFile:
    row[_RECOVERIES] = tuple(row[_RECOVERIES])
    return MediaFile(*row)


def _track(row: list[Any]) -> Track:
    row[_PIECES] = tuple(Piece(*piece) for piece in row[_PIECES])
    row[_GAINS] = tuple((start, gain) for start, gain in row[_GAINS])
    return Track(*row)


@lru_cache(maxsize=64)
def _rate(count: int, numerator: int, denominator: int, drop: bool) -> TimecodeRate:
    return TimecodeRate(count, Fraction(numerator, denominator), drop)
