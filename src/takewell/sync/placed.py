"""Which stretch of a recording lies beside which stretch of a clip's picture?

A pair's line, cut where a device lost samples and where the clip or the recording ends. Where the recording lost samples, a
hole lies between two stretches; where the clip did, the earlier stretch ends where the later one begins.

Conventions: seconds; of the clip from its first picture (from its first sample where it has none) on the clip's clock, of the
recording from its first sample on its own clock. `speed` is recording seconds per clip second.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import groupby, pairwise

from takewell.sync.values import DAY_S, Clip, Pairing


@dataclass(frozen=True)
class Stretch:
    """From `clip_start_s` to `clip_end_s` of the clip lies the recording from `recording_start_s` on."""

    clip_start_s: float
    clip_end_s: float
    recording_start_s: float
    speed: float

    def recording_s(self, clip_s: float) -> float:
        """Return the moment of the recording at a moment of the clip."""
        return self.recording_start_s + (clip_s - self.clip_start_s) * self.speed

    def clip_s(self, recording_s: float) -> float:
        """Return the moment of the clip at a moment of the recording."""
        return self.clip_start_s + (recording_s - self.recording_start_s) / self.speed


def clip_length_s(clip: Clip) -> Fraction:
    """Return how long a clip is: its pictures, or from its beginning to the end of its sound."""
    return clip.picture_length_s or clip.duration_s + max(Fraction(0), clip.sound_start_s)


def clip_start_s(clip: Clip) -> Fraction | None:
    """Return the seconds since midnight of a clip's first picture (first sample, where it has none), as stamped."""
    if clip.start_s is None:
        return None
    counted = clip.timecode_rate  # a day of 29.97 non-drop timecode lasts 86 s longer than a day
    day_s = Fraction(DAY_S) if counted is None else counted.frames_per_day / counted.real
    return (clip.start_s - (clip.sound_start_s if clip.picture_rate else 0)) % day_s


def stretches(pairing: Pairing) -> tuple[Stretch, ...]:
    """Return where a pair's recording lies beside its clip, in order; empty without a recording or an overlap.

    What sound took on its way to the camera, where it is known, is taken out.
    """
    recording, offset_s = pairing.recording, pairing.picture_offset_s
    if recording is None or offset_s is None:
        return ()
    speed = 1 + (pairing.drift_ppm or 0.0) * 1e-6
    first_s = offset_s + float(pairing.clip.sound_start_s if pairing.clip.picture_rate else 0)
    edges = [0.0, *(jump.recording_s for jump in pairing.jumps), float(recording.duration_s)]
    shifts, shift = [0.0], 0.0
    for jump in pairing.jumps:
        shift += jump.shift_s
        shifts.append(shift)
    end_s = float(clip_length_s(pairing.clip))
    found: list[Stretch] = []
    for (low, high), moved in zip(pairwise(edges), shifts, strict=True):
        start = max(first_s + low / speed + moved, 0.0)
        stop = min(first_s + high / speed + moved, end_s)
        if found and found[-1].clip_end_s > start:
            last = found.pop()
            found.append(Stretch(last.clip_start_s, start, last.recording_start_s, speed))
        if stop > start:
            found.append(Stretch(start, stop, (start - first_s - moved) * speed, speed))
    return tuple(found)


def by_clip(pairings: Sequence[Pairing]) -> tuple[tuple[Clip, tuple[Pairing, ...]], ...]:
    """Return the pairings clip by clip, in the order given."""
    return tuple(
        (rows[0].clip, rows)
        for rows in (tuple(group) for _, group in groupby(pairings, key=lambda pairing: pairing.clip.path))
    )
