"""What lining up speaks of: recordings, clips, pairs of them, and how one's clock lies on the other's.

Conventions: a recording is a take of the roll; a clip is any file it is to lie beside (camera file, another recorder's
WAVE). Seconds of either count from its own first sample on its own clock (samples / stated rate). A pair says

    t_clip = offset_s + t_recording / (1 + drift_ppm * 1e-6) + (jumps before t_recording)

as heard in the clip's sound. `Pairing.clip_time_s` and `Pairing.recording_time_s` are that sentence as functions, and
`picture_offset_s` is the offset after what sound took to reach the camera is taken out.
"""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Literal

from takewell.roll.values import Take
from takewell.timecode import Timecode, TimecodeRate

Method = Literal["timecode", "sound", "both"]
"""What a pair rests on: both where timecode and sound say the same."""

Speed = Literal["pulled up 0.1 %", "pulled down 0.1 %"]
"""A known ratio the recording's clock stands in to the clip's: 1001/1000 (up) or 1000/1001 (down)."""

DAY_S = 86_400

SURE = 0.99
"""What is called sure."""


@dataclass(frozen=True)
class Recording:
    """A take of the roll in `folder`, to be lined up."""

    folder: Path
    take: Take

    @property
    def name(self) -> str:
        """The take's id."""
        return self.take.id

    @property
    def rate(self) -> int:
        """Sampling rate in Hz."""
        return self.take.rate

    @property
    def duration_s(self) -> Fraction:
        """Exact length in seconds of its own clock."""
        return self.take.duration_s

    @property
    def start(self) -> Timecode | None:
        """Timecode of the first sample, where it is stamped."""
        return self.take.start

    @property
    def start_s(self) -> Fraction | None:
        """Exact seconds since midnight of the first sample, as stamped."""
        reference = self.take.files[0].time_reference
        if reference is not None:
            return Fraction(reference, self.take.rate)
        return None if self.take.start is None else self.take.start.seconds


@dataclass(frozen=True)
class Clip:
    """A file that recordings are lined up with."""

    path: Path
    rate: int
    channels: int
    length_samples: int
    start: Timecode | None = None
    """Timecode of its first picture (or sample)."""
    start_s: Fraction | None = None
    """Exact seconds since midnight of its first sample, as stamped."""
    picture_rate: Fraction | None = None
    """Pictures a second; None for sound alone."""
    variable_rate: bool = False
    """Whether its pictures do not come at one rate."""
    sound_start_s: Fraction = Fraction(0)
    """How much later than the first picture the first sample lies, by the file's own time stamps."""
    timecode_channels: tuple[int, ...] = ()
    """Channels that carry linear timecode instead of sound, from 1."""
    notes: tuple[str, ...] = ()
    """Plain sentences about what is odd about the file."""
    picture_length_s: Fraction | None = None
    """From the first picture to the end of the last; None for sound alone."""

    @property
    def name(self) -> str:
        """The file's name."""
        return self.path.name

    @property
    def timecode_rate(self) -> TimecodeRate | None:
        """How its timecode counts."""
        return None if self.start is None else self.start.rate

    @property
    def duration_s(self) -> Fraction:
        """Exact length of its sound in seconds of its own clock."""
        return Fraction(self.length_samples, self.rate)


@dataclass(frozen=True)
class Jump:
    """A place where one device left out samples: from here on the recording lies `shift_s` later on the clip's clock."""

    recording_s: float
    shift_s: float
    within_s: float
    """How well the place is known, either way."""

    @property
    def lost_by(self) -> Literal["recording", "clip"]:
        """Which of the two lost samples (or which the other doubled)."""
        return "recording" if self.shift_s > 0 else "clip"


@dataclass(frozen=True)
class Clap:
    """A slate's clap (or what sounds like one), heard in both."""

    recording_s: float
    clip_s: float
    rise_db: float
    """How far it stands over the sound just before it."""


@dataclass(frozen=True)
class Pairing:
    """How a recording lies on a clip, or why the clip has no partner (`recording` None, `reason` says why)."""

    recording: Recording | None
    clip: Clip
    offset_s: float | None = None
    """Where the recording's first sample lies on the clip's clock, as heard at the camera."""
    offset_uncertainty_s: float | None = None
    """Half of the interval that holds it in 95 of 100 cases, where both have sound: in the middle of what both heard. Far from
    there the drift's uncertainty comes on top."""
    drift_ppm: float | None = None
    """The recording's clock against the clip's, positive when it runs fast; None where too little time tells it (then the
    offset is right in the middle of what both heard)."""
    drift_uncertainty_ppm: float | None = None
    """Half of the interval that holds the drift in 95 of 100 cases."""
    confidence: float = 0.0
    method: Method | None = None
    reason: str = ""
    """Why there is no partner; empty for a pair."""
    speed: Speed | None = None
    """A pull-up or pull-down that the drift is, within its interval."""
    jumps: tuple[Jump, ...] = ()
    claps: tuple[Clap, ...] = ()
    hidden_delay_s: float = 0.0
    """What sound took on its way to the camera, where distance, link or trusted timecode tell it."""
    hidden_delay_bound_s: float | None = None
    """The most that distance can hide in the offset, where timecode bounds it (to a frame)."""
    timecode_offset_s: float | None = None
    """The offset that the two stamps claim, where both are stamped."""
    notes: tuple[str, ...] = ()
    """Plain sentences: what timecode says against sound, when it will be a frame out, what distance may hide."""

    @property
    def picture_offset_s(self) -> float | None:
        """Where the recording's first sample lies beside the picture: the offset less `hidden_delay_s`.

        Place files and timeline clips by this one; where nothing is known of distance it is `offset_s`.
        """
        return None if self.offset_s is None else self.offset_s - self.hidden_delay_s

    def clip_time_s(self, recording_s: float) -> float:
        """Return where a moment of the recording lies on the clip's clock, as heard.

        Raises
        ------
        ValueError
            If this is no pair.
        """
        if self.offset_s is None:
            raise ValueError(f"{self.clip.name} has no partner")
        shift = sum(jump.shift_s for jump in self.jumps if jump.recording_s <= recording_s)
        return self.offset_s + recording_s / (1 + (self.drift_ppm or 0.0) * 1e-6) + shift

    def recording_time_s(self, clip_s: float) -> float:
        """Return the moment of the recording that lies at `clip_s` of the clip, as heard.

        Where the recording lost samples, no moment of it lies there: the one at the jump is returned.

        Raises
        ------
        ValueError
            If this is no pair.
        """
        if self.offset_s is None:
            raise ValueError(f"{self.clip.name} has no partner")
        speed = 1 + (self.drift_ppm or 0.0) * 1e-6
        shift = 0.0
        for jump in self.jumps:
            if clip_s < self.clip_time_s(jump.recording_s):
                return min((clip_s - self.offset_s - shift) * speed, jump.recording_s)
            shift += jump.shift_s
        return (clip_s - self.offset_s - shift) * speed


@dataclass(frozen=True)
class SyncReport:
    """The pairs of a day, in the order of the clips; clips without a partner among them."""

    pairings: tuple[Pairing, ...]
    lonely: tuple[Recording, ...] = ()
    """Recordings that belong to no clip."""
    unreadable: tuple[str, ...] = ()
    """One sentence for each file that could not be read."""

    @property
    def settled(self) -> bool:
        """Whether nothing needs a person: every clip has a partner, surely, without jumps, and no timecode lies."""
        return all(
            pairing.recording is not None
            and pairing.confidence >= SURE
            and not pairing.jumps
            and not (pairing.method == "sound" and pairing.timecode_offset_s is not None)
            for pairing in self.pairings
        )
