"""How are a camera file's rate, timecode and beginnings found out?

Where the container has an index of all pictures (MOV, MP4), an uneven rate is told from that; elsewhere from the first
pictures. Timecode is looked for in a timecode track, then in what the file says of itself, then inside the first picture.

Conventions: as `picture`.
"""

import contextlib
from fractions import Fraction
from pathlib import Path
from typing import Any

import av.error
import numpy as np

from takewell.errors import FileError
from takewell.timecode import Timecode, TimecodeRate
from takewell.wave.byte_source import FileSource
from takewell.wave.picture import PictureInfo, PictureStream, TimecodeSource
from takewell.wave.picture_kind import Kind
from takewell.wave.picture_stream import codec_name, container_name, opened, sound_streams
from takewell.wave.timecode_track import (
    counted_rate,
    packed_timecode,
    picture_group_timecode,
    standard_rate,
    written_timecode,
)

_FIRST_PICTURES = 64
"""Packets in which the first picture to be shown lies: reordering reaches back 16 pictures (H.264, H.265)."""

_PICTURES_LOOKED_AT = 400
"""For an uneven rate, in containers without an index of all pictures."""


def read_picture_header(source: FileSource, kind: Kind) -> PictureInfo:
    """Return what the file says; see `picture_info`."""
    counted = counted_rate(source) if kind == "mov" else None
    with contextlib.closing(opened(source.path, kind)) as container:
        return _info(source.path, kind, container, counted)


def _info(path: Path, kind: Kind, container: Any, counted: TimecodeRate | None) -> PictureInfo:
    streams = tuple(_stream(stream) for stream in container.streams)
    try:
        sounds, _ = sound_streams(path, kind)
    except FileError:  # the pictures may be worth something all the same
        sounds = ()
    sound_start = min((sound.start_s for sound in sounds), default=None)
    length = Fraction(container.duration or 0, 1_000_000)
    pictures = [stream for stream in container.streams.video if not stream.disposition & 0x400]
    name = container_name(container, kind)
    if not pictures:
        return PictureInfo(path, name, None, False, None, None, Fraction(0), length, streams)
    stream = pictures[0]
    tick = Fraction(stream.time_base)
    stamps = _stamps(container, stream)
    if not stamps:
        raise FileError(f"{path} has a picture stream without one whole picture in it; it is damaged.")
    uneven, mean = _evenness(stream, stamps, tick)
    rate = stream.average_rate or stream.guessed_rate
    frame_rate = standard_rate(Fraction(rate)) if rate else Fraction(1) / mean
    if stream.duration is not None:
        length = stream.duration * tick
    timecode, said_by = _timecode(path, kind, container, stream, frame_rate, counted)
    notes = []
    if uneven:
        notes.append(
            f"{path.name} has pictures at an uneven rate, {float(frame_rate):.3f} a second on average: timecode and "
            "picture part on the way; have it converted to an even rate before it is cut."
        )
    if not sounds:
        notes.append(f"{path.name} has no sound that can be read.")
    return PictureInfo(
        path=path,
        container=name,
        frame_rate=frame_rate,
        variable_frame_rate=uneven,
        start_timecode=timecode,
        timecode_from=said_by,
        audio_start_s=Fraction(0) if sound_start is None else sound_start - stamps[0] * tick,
        length_s=length,
        streams=streams,
        notes=tuple(notes),
    )


def _stream(stream: Any) -> PictureStream:
    codec = codec_name(stream)
    if stream.type == "audio" and stream.codec_context is not None:
        return PictureStream("sound", codec, stream.rate, stream.channels)
    if stream.type == "audio":
        return PictureStream("sound", codec)
    return PictureStream("pictures" if stream.type == "video" else "other", codec)


def _stamps(container: Any, stream: Any) -> list[int]:
    """Return when the first pictures are to be shown, in ticks and in order."""
    most = _FIRST_PICTURES if len(stream.index_entries) > 1 else _PICTURES_LOOKED_AT
    found = []
    with contextlib.suppress(av.error.FFmpegError):  # the file ends in the middle of a picture
        for packet in container.demux(stream):
            if packet.pts is not None and not packet.is_discard:
                found.append(packet.pts)
            if len(found) == most:
                break
    # Of the last ones looked at, some that are to be shown between them have not come yet.
    return sorted(found)[: len(found) - 16 if len(found) == most else None]


def _evenness(stream: Any, stamps: list[int], tick: Fraction) -> tuple[bool, Fraction]:
    """Return whether pictures come unevenly, and the mean time between them in seconds.

    Even ones lie on a straight line to within the rounding of their stamps, a tick either way.
    """
    entries = np.array([entry.timestamp for entry in stream.index_entries], np.int64)
    times = np.sort(entries) if len(entries) > 1 else np.array(stamps, np.int64)
    if len(times) < 3:
        return False, tick * int(times[-1] - times[0]) or Fraction(1, 25)
    steps = np.diff(times)
    usual = float(np.median(steps)) if np.ptp(steps) > 2 else float(steps.mean())
    # The last step may be whatever the camera had left when it stopped.
    line = times[0] + usual * np.arange(len(times))
    drift = np.abs(times - line)[:-1].max()
    mean = Fraction(int(times[-1] - times[0]), len(times) - 1) * tick
    return bool(drift > 2.0), mean


def _timecode(
    path: Path, kind: Kind, container: Any, stream: Any, rate: Fraction, counted: TimecodeRate | None
) -> tuple[Timecode | None, TimecodeSource | None]:
    for tags in (*(other.metadata for other in container.streams), container.metadata):
        text = next((value for key, value in tags.items() if key.lower() == "timecode"), None)
        found = None if text is None else written_timecode(text, rate, counted)
        if found is not None:
            return found, "file" if counted is None else "timecode track"
    return _first_picture(path, kind, stream.index, rate)


def _first_picture(
    path: Path, kind: Kind, index: int, rate: Fraction
) -> tuple[Timecode | None, TimecodeSource | None]:
    with contextlib.closing(opened(path, kind)) as container, contextlib.suppress(av.error.FFmpegError):
        for picture in container.decode(container.streams[index]):
            for side in picture.side_data:
                read = {"S12M_TIMECODE": packed_timecode, "GOP_TIMECODE": picture_group_timecode}.get(
                    side.type.name
                )
                found = None if read is None else read(bytes(side), rate)
                if found is not None:
                    return found, "first picture"
            break
    return None, None
