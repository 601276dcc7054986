"""What is to be joined, from where, and what cannot be?

Conventions: positions are samples of the mended track's take; gains in dB are what the twin's sound is multiplied by
so that it lies as the track's own; delays are samples of the twin's file by which a sound lies later there.
"""

from dataclasses import dataclass
from pathlib import Path

from takewell.roll import Pair, Track


@dataclass(frozen=True)
class Fit:
    """How a twin lies to a track at one moment: ``track[n] ~ gain * twin[n + delay]``."""

    at_samples: int
    delay_samples: float
    gain_db: float
    left_db: float
    """What is left of the track when the fitted twin is taken away, against the track."""


@dataclass(frozen=True)
class Join:
    """One stretch of a track that is taken from its twin, with fades at quiet points on both sides.

    The twin's share rises from 0 at `start_samples` to 1 within `fade_in_samples` and falls to 0 at `end_samples`.
    """

    start_samples: int
    end_samples: int
    fade_in_samples: int
    fade_out_samples: int
    damage: tuple[str, ...]
    """Kinds of the findings it mends."""
    damaged_samples: int
    delays: tuple[tuple[float, float], ...]
    """(position, delay in samples): straight between, held outside."""
    gains_db: tuple[tuple[float, float], ...]
    """(position, gain in dB): straight between, held outside."""
    left_db: float
    """What was left between track and twin where both are whole, against the track; the worse of both sides."""
    peak: float
    """Highest sample of what is put in, linear."""


@dataclass(frozen=True)
class MendedTrack:
    """A track to be written anew: the twin it is joined from, and where."""

    take: str
    track: Track
    rate: int
    length_samples: int
    pair: Pair
    twin_is_copy: bool
    """Whether the twin is the pair's copy; else its first track."""
    twin_take: str
    twin: Track
    joins: tuple[Join, ...]
    encoding: str
    """Of the new file."""

    @property
    def sentence(self) -> str:
        """What is done, for a person and for the file's own history."""
        whole_s = sum(j.end_samples - j.start_samples for j in self.joins) / self.rate
        places = "1 place" if len(self.joins) == 1 else f"{len(self.joins)} places"
        # Adding zero makes a minus zero plain.
        gains = [round(gain_db, 2) + 0.0 for j in self.joins for _, gain_db in j.gains_db]
        low, high = min(gains), max(gains)
        gain = f"{low:+.2f}" + (f" to {high:+.2f}" if high - low > 0.05 else "")
        where = f"track {self.twin.number} ({self.twin.name})" + (
            "" if self.twin_take == self.take else f" of {self.twin_take}"
        )
        return f"{places}, {whole_s:.2f} s, from {where} at {gain} dB"


@dataclass(frozen=True)
class NotMended:
    """Damage that stays, and why, in one sentence."""

    take: str
    track: int
    name: str
    sentence: str
    needed: bool = True
    """Whether a person has to do something about it; False for a copy whose ISO is whole."""


@dataclass(frozen=True)
class MendPlan:
    """Everything that would be done to a roll; nothing is written yet."""

    tracks: tuple[MendedTrack, ...]
    not_mended: tuple[NotMended, ...]


@dataclass(frozen=True)
class MendedFile:
    """One mended track as it lies on the disk."""

    take: str
    track: int
    name: str
    target: Path
    joins: int
    seconds: float
    sentence: str
