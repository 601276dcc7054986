"""What was put where: the shape of ``truth.json``.

Conventions: take names are ``scene-take``; tracks count from 1 over a take's files (float ISOs first, then the
24-bit file), 0 stands for a file as a whole; times are seconds from the take's first sample; every RMS level is
AES17 dBFS.
"""

from typing import TypedDict

Number = float | int


class Planted(TypedDict):
    """One damage or wrong setting that the day holds."""

    take: str
    file: str
    track: int
    name: str
    kind: str
    accept: list[str]
    """Kinds of findings that name it rightly, `kind` first."""
    also: list[str]
    """Kinds that may be named in the same place besides, as its consequences."""
    must: bool
    """Whether it has to be found; the level of a safety copy is true, but nobody need say so."""
    start_s: float
    end_s: float
    numbers: dict[str, Number]
    verdicts: list[str]
    """Verdicts a track with it may rightly get."""
    what: str


class TruthTrack(TypedDict):
    """One track of a take as it was recorded."""

    take: str
    track: int
    name: str
    role: str
    encoding: str
    files: list[str]
    channel: int
    clean: bool
    verdicts: list[str]
    talker: str | None
    """Voice that wears or mainly speaks to this microphone."""
    floor_dbfs: float | None
    """Room and microphone noise at the 0 dB setting, by sum of powers; None for a mix or tone."""
    talk_dbfs: float | None
    """AES17 RMS while that voice speaks, over its whole sentences."""
    sample_peak_dbfs: float | None
    samples_over_full_scale: int
    samples_at_rail: int
    arrival_ms: dict[str, float]
    """How late each voice's direct sound is here."""


class TruthLine(TypedDict):
    """One sentence of a take."""

    voice: str
    effort: str
    start_s: float
    end_s: float
    text: str


class TruthFile(TypedDict):
    """One sound file; paths are relative to the card."""

    file: str
    encoding: str
    channels: int
    time_reference: int
    length_samples: int
    """Whole samples that are really there."""
    finalised: bool


class TruthTake(TypedDict):
    """One take."""

    take: str
    scene: str
    take_name: str
    kind: str
    set_up: str
    note: str
    rate: int
    length_samples: int
    time_reference: int
    timecode_rate: str
    files: list[TruthFile]
    lines: list[TruthLine]
    natural: list[str]
    """Kinds that several open microphones in a room bring with them anywhere in the take; nobody planted them."""


class Truth(TypedDict):
    """The whole day."""

    title: str
    seed: int
    card: str
    """Folder of the card, beside ``truth.json``."""
    other_files: list[str]
    takes: list[TruthTake]
    tracks: list[TruthTrack]
    planted: list[Planted]
