"""What a day's sound is made of: takes, tracks, the files they lie in, findings, verdicts and moves.

Conventions: times inside a take are seconds from the take's first sample (or samples, where the name says
so); paths are relative to the roll's folder, with "/"; `number` counts a take's tracks from 1 over all its
files, `channel` counts a file's channels from 1.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Literal

from takewell.errors import SettingError
from takewell.timecode import Timecode, TimecodeRate

Role = Literal["iso", "safety", "mix", "camera", "timecode", "tone", "unused"]
TakeKind = Literal["take", "wild", "room_tone", "tone"]
Severity = Literal["note", "minor", "major"]
VerdictWord = Literal["good", "level", "mend", "lost"]
Stage = Literal["microphone", "preamplifier", "converter", "file", "undecided"]
PairState = Literal["steady", "limited", "clipped", "damaged"]
"""Whether the gain between two tracks holds, one of them was held back by a limiter or a rail, or hurt otherwise."""


@dataclass(frozen=True)
class MediaFile:
    """One sound file of a roll as its header describes it."""

    path: str
    size_bytes: int
    container: str
    encoding: str
    rate: int
    channels: int
    length_samples: int
    time_reference: int | None
    """Samples since midnight at the stamped rate, from bext (which wins over iXML)."""
    recoveries: tuple[str, ...] = ()


@dataclass(frozen=True)
class Piece:
    """The part of a track that lies in one file: `length_samples` samples of `channel`, from `start_samples` of the take."""

    file: str
    channel: int
    start_samples: int
    length_samples: int


@dataclass(frozen=True)
class Track:
    """One channel of a take, through all its continuation files."""

    number: int
    name: str
    role: Role
    encoding: str
    pieces: tuple[Piece, ...]
    group: str | None = None
    gains: tuple[tuple[float, float], ...] = ()
    """Input gain used, where known: (from second, gain in dB)."""
    function: str = ""
    """iXML's FUNCTION as written, such as ``M-MID_SIDE``."""
    copy_of: int | None = None
    """For a safety copy, the number of the track it is a copy of, where that is known."""

    @property
    def file(self) -> str:
        """The first file the track lies in."""
        return self.pieces[0].file

    @property
    def channel(self) -> int:
        """The track's channel in its first file, from 1."""
        return self.pieces[0].channel


@dataclass(frozen=True)
class Take:
    """One press of record: all its files, continuation files included."""

    id: str
    """Stable name of the take inside the roll, used in every text file (``14-2``, or the file's stem)."""
    scene: str
    take: str
    kind: TakeKind
    rate: int
    length_samples: int
    start: Timecode | None
    timecode_rate: TimecodeRate | None
    date: str | None
    files: tuple[MediaFile, ...]
    tracks: tuple[Track, ...]
    note: str = ""
    circled: bool = False
    tape: str = ""
    project: str = ""
    warnings: tuple[str, ...] = ()
    no_good: bool = False
    """Whether the recorder's operator marked it as not usable or as a false start."""

    @property
    def duration_s(self) -> Fraction:
        """Exact length in seconds."""
        return Fraction(self.length_samples, self.rate)


@dataclass(frozen=True)
class Roll:
    """One recorder's files of one day, as copied from its cards."""

    folder: Path
    takes: tuple[Take, ...]
    other_files: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    """One sentence for each sound file that could not be read."""
    keeps: bool = True
    """Whether the folder has a logbook; loose files have none, and nothing is written beside them."""

    def take(self, take_id: str) -> Take:
        """Return the take of that id.

        Raises
        ------
        SettingError
            If the roll has no such take.
        """
        for take in self.takes:
            if take.id == take_id:
                return take
        raise SettingError(f"{self.folder} has no take {take_id!r}; `takewell takes` lists them.")


@dataclass(frozen=True)
class Finding:
    """One judged event on one track (track 0: the take or file as a whole)."""

    take: str
    file: str
    track: int
    kind: str
    start_s: float
    end_s: float
    confidence: float
    severity: Severity
    stage: Stage | None
    evidence: Mapping[str, float | int | str | None]
    remedy: str
    sentence: str = ""
    """What it is, for a person: "flat at -8.1 dBFS, 31 samples"."""


@dataclass(frozen=True)
class Verdict:
    """What a track of a take is worth, with the shortest true sentence as reason."""

    take: str
    file: str
    track: int
    verdict: VerdictWord
    reason: str


@dataclass(frozen=True)
class BestTrack:
    """The track of a take to reach for first, where one clearly is."""

    take: str
    track: int
    reason: str
    voice: str = ""
    """Name of the track whose voice it serves best; empty for the track that serves the whole take."""


@dataclass(frozen=True)
class PairPassage:
    """A stretch of a pair in which the gain between its tracks holds, or in which one of them does not follow."""

    start_s: float
    end_s: float
    gain_db: float
    """How far the copy lies above the first track."""
    state: PairState
    changed_by_db: float
    """What the gain was changed by on the way into a ``steady`` passage; in the others by how much the level of the
    track that does not follow stays behind at most, over 10 ms."""
    serves: int
    """1 where the first track serves better, 2 where the copy does, 0 where both serve alike."""
    because: str


@dataclass(frozen=True)
class Pair:
    """Two tracks with one source: an ISO and its copy, at another gain, in another file, on another recorder."""

    take: str
    track: int
    other_take: str
    other_track: int
    correlation: float
    """Of their samples in line, from -1 to 1; negative where one of the two is reversed."""
    gain_db: float
    """How far the copy lies above the first track, as a median."""
    delay_s: float
    """Where the first track's first sample lies on the copy's clock, in seconds of the copy's take: a sound at `t` of
    the first is at ``delay_s + t * (1 + drift_ppm / 1e6)`` there."""
    drift_ppm: float = 0.0
    """How much faster the copy's clock runs; 0 on one recorder."""
    passages: tuple[PairPassage, ...] = ()


@dataclass(frozen=True)
class Move:
    """One gain decision: `gain_db` from `start_s` to `end_s`, reached and left over the fades."""

    take: str
    track: int
    start_s: float
    end_s: float
    gain_db: float
    fade_in_s: float
    fade_out_s: float
    fixed: bool
    reason: str


@dataclass(frozen=True)
class Note:
    """What a person wrote about a take; empty fields change nothing the files say."""

    take: str
    scene: str = ""
    take_name: str = ""
    circled: bool | None = None
    note: str = ""


@dataclass(frozen=True)
class TrackLabel:
    """A line of tracks.csv: what a person says of a track of a take ('*' = every take)."""

    take: str
    track: int
    name: str = ""
    role: Role | None = None
    group: str = ""
    gain_from_s: float | None = None
    gain_db: float | None = None


@dataclass(frozen=True)
class Examination:
    """All findings and verdicts of a roll or of loose files."""

    findings: tuple[Finding, ...]
    verdicts: tuple[Verdict, ...]
    unreadable: tuple[str, ...] = field(default=())
    best: tuple[BestTrack, ...] = field(default=())
    pairs: tuple[Pair, ...] = field(default=())
    """Tracks with one source, in the order of takes and tracks."""
