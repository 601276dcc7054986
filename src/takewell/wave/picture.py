"""What do a camera file's pictures say that its sound must be lined up with: rate, timecode, where the sound begins?

Conventions: rates are exact fractions, times exact seconds on the file's own clock. The first picture is the first that is to
be shown, after reordering and edit list. Start timecode is the first picture's.

Sources: see `picture_header`, `picture_stream` and `timecode_track`.
"""

import contextlib
import os
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Literal

from takewell.errors import FileError
from takewell.timecode import Timecode
from takewell.wave.byte_source import FileSource
from takewell.wave.picture_kind import START_BYTES, picture_kind

TimecodeSource = Literal["timecode track", "file", "first picture"]


@dataclass(frozen=True)
class PictureStream:
    """One stream of a camera file, as it says of itself."""

    kind: Literal["pictures", "sound", "other"]
    codec: str
    rate: int | None = None
    """Of sound, in Hz."""
    channels: int | None = None


@dataclass(frozen=True)
class PictureInfo:
    """A camera file's pictures and where its sound lies beside them."""

    path: Path
    container: str
    frame_rate: Fraction | None
    """Pictures a second, on average where they come unevenly; None for a file without pictures."""
    variable_frame_rate: bool
    start_timecode: Timecode | None
    timecode_from: TimecodeSource | None
    audio_start_s: Fraction
    """The first sample of `open_audio` less the first picture; 0 without pictures or without sound."""
    length_s: Fraction
    """From the first picture to the end of the last; of the sound where there are no pictures."""
    streams: tuple[PictureStream, ...]
    notes: tuple[str, ...] = ()
    """Plain sentences about what is odd."""


def is_picture_file(path: str | os.PathLike[str]) -> bool:
    """Return whether a file is one that cameras write, by its first bytes.

    Raises
    ------
    FileError
        If it is missing, empty or cannot be read.
    """
    with contextlib.closing(FileSource(path)) as source:
        return picture_kind(source.read(0, START_BYTES)) is not None


def picture_info(path: str | os.PathLike[str]) -> PictureInfo:
    """Return what a camera file (MOV, MP4, MXF, MPEG transport stream, Matroska) says of its pictures.

    Raises
    ------
    FileError
        If it cannot be read or is no such file.
    """
    with contextlib.closing(FileSource(path)) as source:
        kind = picture_kind(source.read(0, START_BYTES))
        if kind is None:
            raise FileError(
                f"{source.path} is no camera file that can be read; MOV, MP4, MXF, MTS and MKV files are."
            )
        from takewell.wave.picture_header import read_picture_header

        return read_picture_header(source, kind)
