"""What is found in undamaged speech, music and ambience, for the kinds of every part at once?"""

import numpy as np
from evaluation.corpus import clean_tracks
from evaluation.hearing import examined
from evaluation.rows import Clean, Job, Row
from evaluation.sources import RATE, Source, at_48k, decoded, files
from numpy.typing import NDArray

TRACKS = 6
"""Tracks put together from a voice, one for each encoding and gain."""

TRACK_S = 60.0

MOST_FILES = 300
"""Recordings of a source listened to one by one, as they come, spread evenly over it."""


def clean_jobs(salt: str, sources: tuple[Source, ...], kinds: tuple[str, ...]) -> list[Job]:
    """Return the work of listening to the undamaged sound of a set, spread so that workers share it."""
    jobs = []
    for source in sources:
        shares = 4 if len(files(source)) > 8 else 1
        jobs += [Job(_recordings, (source, share, shares, kinds)) for share in range(shares)]
        if source.voice:
            jobs.append(Job(_tracks, (source, salt, kinds)))
    return jobs


def _recordings(source: Source, share: int, shares: int, kinds: tuple[str, ...]) -> list[Row]:
    paths = files(source)
    seconds, alarms = 0.0, []
    for path in paths[:: max(1, -(-len(paths) // MOST_FILES))][share::shares]:
        sound, rate = decoded(path)
        if len(sound) < rate // 2:
            continue
        if path.suffix != ".flac":  # what was coded with loss has no samples of its own to keep
            sound, rate = at_48k(sound, rate), RATE
        seconds += len(sound) / rate
        alarms += _alarms(path.name, sound, "float32", rate, kinds)
    return [Clean(source.name, seconds / 3600, kinds, tuple(alarms))]


def _tracks(source: Source, salt: str, kinds: tuple[str, ...]) -> list[Row]:
    alarms = []
    for k, (sound, encoding) in enumerate(clean_tracks(source, TRACK_S, TRACKS, salt)):
        alarms += _alarms(f"track {k}", sound, encoding, RATE, kinds)
    return [Clean(source.name, TRACKS * TRACK_S / 3600, kinds, tuple(alarms))]


def _alarms(
    name: str, sound: NDArray[np.float64], encoding: str, rate: int, kinds: tuple[str, ...]
) -> list[tuple[str, str, str]]:
    return [(f.kind, name, f.sentence) for f in examined(sound, encoding, rate) if f.kind in kinds]
