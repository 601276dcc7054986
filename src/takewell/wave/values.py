"""What a sound file says of itself: sample format, chunks, bext and iXML.

Conventions: `length_samples` counts per channel; offsets are bytes from the start of the file.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

Encoding = Literal["uint8", "int16", "int24", "int32", "float32", "float64"]


@dataclass(frozen=True)
class Chunk:
    """One chunk: four-character id, offset of its payload, payload size as it really is in the file."""

    id: str
    offset: int
    size: int


@dataclass(frozen=True)
class Bext:
    """The broadcast extension (EBU Tech 3285 v2); loudness fields are None where unused."""

    description: str = ""
    originator: str = ""
    originator_reference: str = ""
    origination_date: str = ""
    origination_time: str = ""
    time_reference: int = 0
    version: int = 2
    umid: bytes = bytes(64)
    loudness_value_lufs: float | None = None
    loudness_range_lu: float | None = None
    max_true_peak_dbtp: float | None = None
    max_momentary_lufs: float | None = None
    max_short_term_lufs: float | None = None
    coding_history: str = ""


@dataclass(frozen=True)
class IxmlTrack:
    """One TRACK of iXML's TRACK_LIST; indices count from 1."""

    channel_index: int | None
    interleave_index: int
    name: str = ""
    function: str = ""


@dataclass(frozen=True)
class Ixml:
    """The parts of iXML the job needs, plus the whole document as it stood in the file."""

    project: str = ""
    scene: str = ""
    take: str = ""
    tape: str = ""
    note: str = ""
    circled: bool | None = None
    wild_track: bool | None = None
    no_good: bool | None = None
    take_type: tuple[str, ...] = ()
    file_uid: str = ""
    ubits: str = ""
    timecode_rate: str = ""
    """As written, such as ``25/1`` or ``30000/1001``; wild variations are kept for the reader to judge."""
    timecode_flag: str = ""
    file_sample_rate: int | None = None
    digitizer_sample_rate: int | None = None
    timestamp_sample_rate: int | None = None
    timestamp_samples: int | None = None
    family_uid: str = ""
    family_name: str = ""
    file_set_index: str = ""
    total_files: int | None = None
    original_filename: str = ""
    parent_filename: str = ""
    tracks: tuple[IxmlTrack, ...] = ()
    xml: bytes = b""
    """The document as read; empty when built by us."""


@dataclass(frozen=True)
class AudioInfo:
    """Everything a header says, and what had to be recovered to read it."""

    path: Path
    container: str
    """``WAVE``, ``RF64``, ``BW64``, or the major format's name from libsndfile."""
    encoding: Encoding
    rate: int
    channels: int
    length_samples: int
    channel_mask: int | None
    """dwChannelMask of WAVE_FORMAT_EXTENSIBLE; None where the file has none."""
    valid_bits: int
    data_offset: int
    bext: Bext | None = None
    ixml: Ixml | None = None
    info: Mapping[str, str] = field(default_factory=dict)
    """LIST-INFO texts by their four-character id."""
    cues: tuple[tuple[int, str], ...] = ()
    """Cue points: (sample, label)."""
    chunks: tuple[Chunk, ...] = ()
    recoveries: tuple[str, ...] = ()
    """Plain sentences about what was recovered or odd; empty for a sound file."""
    ambisonic: bool = False
    """Whether the SubFormat says ambisonic B-format (W, X, Y, Z order by channel count, common practice)."""
