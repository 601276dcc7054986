"""Which timecode do the tracks of a file or a take carry as sound?

A track of timecode was fed by the clock that a day's devices share, so it speaks for the whole file (`track_timecode`).

Conventions: as `track_timecode`; channels count from 1.
"""

import os
from dataclasses import replace

from takewell.errors import FileError
from takewell.roll import Take, TrackReader
from takewell.sync.track_timecode import Progress, TrackTimecode, track_timecode
from takewell.sync.values import Recording
from takewell.timecode import Timecode
from takewell.wave import open_audio

SEARCH_S = 10.0
"""How much of a channel is read to find out whether it carries timecode, at its beginning and in its middle."""

_BLOCK = 1 << 18


def read_timecode_track(
    path: str | os.PathLike[str], channel: int, *, progress: Progress | None = None
) -> TrackTimecode | None:
    """Return what the timecode in one channel of a file says; None if there is none.

    Parameters
    ----------
    path : path
        Any readable sound or camera file.
    channel : int
        From 1.
    progress : callable, optional
        Called with the samples done since the last call.

    Raises
    ------
    FileError
        If the file cannot be read or has no such channel.
    """
    with open_audio(path) as audio:
        if not 1 <= channel <= audio.info.channels:
            raise FileError(f"{path} has no channel {channel}; its channels are 1 to {audio.info.channels}.")
        picked = (block[:, channel - 1 : channel] for block in audio.blocks(_BLOCK))
        return track_timecode(picked, audio.info.rate, progress=progress)


def take_timecode(
    folder: str | os.PathLike[str], take: Take, *, progress: Progress | None = None
) -> TrackTimecode | None:
    """Return what a take's timecode track says, through all its files; None where none can be read.

    It is the track with the role ``timecode``. In a take without such a track and without a stamp, every track is tried:
    recorders that name no tracks often stamp no time either.

    Raises
    ------
    FileError
        If a file cannot be read.
    """
    numbers = [track.number for track in take.tracks if track.role == "timecode"]
    with TrackReader(folder, take) as reader:
        if not numbers and take.files[0].time_reference is None:
            tried = [track.number for track in take.tracks]
            start = reader.read(tried, 0, int(SEARCH_S * take.rate))
            numbers = [
                number
                for k, number in enumerate(tried)
                if track_timecode([start[:, k : k + 1]], take.rate) is not None
            ]
        for number in numbers:
            found = track_timecode(reader.blocks([number], _BLOCK), take.rate, progress=progress)
            if found is not None:
                return found
    return None


def stamped_by_track(
    recording: Recording, *, progress: Progress | None = None
) -> tuple[Recording, tuple[str, ...]]:
    """Return a recording stamped as its timecode track says, and what is to be said about it.

    A track of timecode was fed by the clock that the cameras share, so it goes before a stamp that says otherwise by a frame or
    more; a recording without such a track, or whose stamp agrees, is returned as it is.

    Raises
    ------
    FileError
        If a file cannot be read.
    """
    take = recording.take
    found = take_timecode(recording.folder, take, progress=progress)
    if found is None:
        return recording, ()
    notes = tuple(f"{take.id}: {note}" for note in found.notes)
    frame = found.rate.samples_per_frame(take.rate)
    day = found.rate.frames_per_day * frame
    stamped_s = recording.start_s
    if stamped_s is not None:
        apart = (found.start_samples - stamped_s * take.rate + day / 2) % day - day / 2
        if abs(apart) < frame:
            return recording, notes
        notes = (
            f"{take.id}: its timecode track begins at {found.start}, its stamp says "
            f"{Timecode.from_samples(round(stamped_s * take.rate), take.rate, found.rate)}; the track counts.",
            *notes,
        )
    moved = found.time_reference - (take.files[0].time_reference or 0)
    files = tuple(
        replace(
            file,
            time_reference=found.time_reference
            if index == 0
            else None
            if file.time_reference is None
            else file.time_reference + moved,
        )
        for index, file in enumerate(take.files)
    )
    return replace(
        recording, take=replace(take, start=found.start, timecode_rate=found.rate, files=files)
    ), notes


def timecode_channels(path: str | os.PathLike[str]) -> tuple[int, ...]:
    """Return the channels of a file, from 1, in which linear timecode runs.

    Raises
    ------
    FileError
        If the file cannot be read.
    """
    with open_audio(path) as audio:
        info = audio.info
        count = min(info.length_samples, int(SEARCH_S * info.rate))
        found: set[int] = set()
        for start in {0, (info.length_samples - count) // 2}:
            samples = audio.read(start, count)
            for channel in range(1, info.channels + 1):
                if (
                    channel not in found
                    and track_timecode([samples[:, channel - 1 : channel]], info.rate) is not None
                ):
                    found.add(channel)
    return tuple(sorted(found))
