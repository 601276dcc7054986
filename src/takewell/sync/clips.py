"""What do the files that a roll is to be lined up with say of themselves?

Camera files are asked for their pictures, WAVE files for their stamp. In both each channel's first seconds are read for
linear timecode: a channel that carries it is not sound, and tells the timecode where nothing else does.

Conventions: a clip's `start_s` is that of its first sample; a camera file's timecode is its first picture's, and sound that
begins later (or earlier) is reckoned in.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

from takewell.errors import TakewellError
from takewell.roll.folder import SOUND_SUFFIXES
from takewell.roll.names import natural_order
from takewell.sync.track_timecode import track_timecode
from takewell.sync.values import Clip
from takewell.timecode import Timecode, TimecodeRate
from takewell.wave import AudioFile, AudioInfo, open_audio

PICTURE_SUFFIXES = frozenset({".mov", ".mp4", ".m4v", ".mxf", ".mts", ".m2ts", ".mkv"})
"""Suffixes, in lower case, of files that are looked at in a folder of camera files."""

_LISTEN_S = 4.0
_LEAST_WORDS = 12
"""Words of linear timecode that count on by one: half a second of it."""


@dataclass(frozen=True)
class ChannelTimecode:
    """Linear timecode in one channel: which channel (from 1), and what its first sample lies at."""

    channel: int
    start: Timecode
    start_s: Fraction


def clip_files(paths: Iterable[Path]) -> tuple[list[Path], list[str]]:
    """Return (files to line up with, one sentence for each path that is none), folders searched."""
    files: list[Path] = []
    refused: list[str] = []
    for path in paths:
        if path.is_dir():
            inside = [
                p
                for p in path.rglob("*")
                if p.is_file()
                and p.suffix.lower() in PICTURE_SUFFIXES | SOUND_SUFFIXES
                and not any(part.startswith(".") for part in p.relative_to(path).parts)
            ]
            files += sorted(inside, key=lambda p: natural_order(str(p)))
            if not inside:
                refused.append(f"{path} holds no camera file and no sound file; name another folder.")
        elif path.exists():
            files.append(path)
        else:
            refused.append(f"{path} is not there; check the name, or whether the disk is connected.")
    return list(dict.fromkeys(files)), refused


def read_clips(paths: Iterable[Path]) -> tuple[tuple[Clip, ...], tuple[str, ...]]:
    """Return (clips, one sentence for each file that cannot be one), in the order given."""
    files, refused = clip_files(paths)
    clips = []
    for path in files:
        try:
            clips.append(read_clip(path))
        except TakewellError as error:
            refused.append(str(error))
        except OSError as error:
            refused.append(f"{path} cannot be read: {error.strerror or error}.")
    return tuple(clips), tuple(refused)


def read_clip(path: Path) -> Clip:
    """Return what a camera file or sound file says of itself.

    Raises
    ------
    FileError
        If it cannot be read or holds no sound.
    """
    from takewell.wave.picture import is_picture_file, picture_info

    with open_audio(path) as audio:
        info = audio.info
        coded = _channel_timecode(audio)
    channels = tuple(one.channel for one in coded)
    picture = picture_info(path) if is_picture_file(path) else None
    if picture is None:
        start, start_s = _stamp(info)
    else:
        start = picture.start_timecode
        start_s = None if start is None else start.seconds + picture.audio_start_s
    if start_s is None and coded:
        start, start_s = coded[0].start, coded[0].start_s
    clip = Clip(
        path,
        info.rate,
        info.channels,
        info.length_samples,
        start,
        start_s,
        timecode_channels=channels,
        notes=info.recoveries,
    )
    if picture is None:
        return clip
    return replace(
        clip,
        picture_rate=picture.frame_rate,
        picture_length_s=picture.length_s,
        variable_rate=picture.variable_frame_rate,
        sound_start_s=picture.audio_start_s,
        notes=(*info.recoveries, *picture.notes),
    )


def _stamp(info: AudioInfo) -> tuple[Timecode | None, Fraction | None]:
    """Return what a WAVE file's stamp says: (timecode where its rate is known, seconds since midnight)."""
    if info.bext is None or (info.bext.time_reference == 0 and not info.bext.origination_time):
        return None, None
    start_s = Fraction(info.bext.time_reference, info.rate)
    written = "" if info.ixml is None else info.ixml.timecode_rate
    try:
        rate = TimecodeRate.parse(written, "" if info.ixml is None else info.ixml.timecode_flag)
    except TakewellError:
        return None, start_s
    return Timecode.from_samples(info.bext.time_reference, info.rate, rate), start_s


def _channel_timecode(audio: AudioFile) -> tuple[ChannelTimecode, ...]:
    """Return the channels whose first seconds carry linear timecode."""
    rate = audio.info.rate
    if rate < 8_000 or rate > 192_000:
        return ()
    samples = audio.read(0, round(_LISTEN_S * rate))
    found = []
    for channel in range(samples.shape[1]):
        told = track_timecode([samples[:, [channel]]], rate)
        if told is not None and sum(run.words for run in told.runs) >= _LEAST_WORDS:
            found.append(ChannelTimecode(channel + 1, told.start, told.start_samples / rate))
    return tuple(found)
