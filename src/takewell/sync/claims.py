"""What do the stamps claim: which recordings a clip overlaps, and where they would lie on it?

Conventions: an offset is where a recording's first sample lies on the clip's clock, in seconds. Stamps roll over at midnight:
of the two readings the nearer counts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from takewell.sync.values import DAY_S, Clip, Recording

LEAST_OVERLAP_S = 0.6

AGREE_S = 0.12
"""Sound and timecode say the same within this: two frames at most each, and some ten metres."""


@dataclass(frozen=True)
class Claim:
    """A recording that a clip's stamp claims to overlap."""

    recording: int
    offset_s: float
    overlap_s: float


def claimed_offset_s(recording: Recording, clip: Clip) -> float | None:
    """Return the offset that two stamps claim, None where one has none."""
    if recording.start_s is None or clip.start_s is None:
        return None
    apart = (recording.start_s - clip.start_s) % DAY_S
    return float(apart - DAY_S if apart > DAY_S / 2 else apart)


def claims(recordings: Sequence[Recording], clip: Clip) -> list[Claim]:
    """Return what a clip's stamp claims, the longest overlap first."""
    found = []
    for index, recording in enumerate(recordings):
        offset_s = claimed_offset_s(recording, clip)
        if offset_s is None:
            continue
        overlap_s = min(float(clip.duration_s), offset_s + float(recording.duration_s)) - max(0.0, offset_s)
        if overlap_s >= LEAST_OVERLAP_S:
            found.append(Claim(index, offset_s, overlap_s))
    return sorted(found, key=lambda claim: -claim.overlap_s)


@dataclass(frozen=True)
class Trust:
    """How far a camera's timecode went along with the sound where both could be held against each other."""

    agreed: int
    tried: int
    error_s: float
    """Sound's offset less timecode's, in the middle of those that agreed."""

    @property
    def confidence(self) -> float:
        """Probability that it is right where nothing is heard (Laplace's rule of succession)."""
        return (self.agreed + 1) / (self.tried + 2)


def trust(errors_s: Sequence[float]) -> Trust:
    """Return what the errors of a camera's timecode in its other clips say."""
    agreed = [error for error in errors_s if abs(error) <= AGREE_S]
    return Trust(len(agreed), len(errors_s), median(agreed) if agreed else 0.0)
