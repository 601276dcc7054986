"""How loud is what will be recorded?

Conventions: RMS levels are plain (unweighted) dB SPL at `at_m` metres in front; `crest_db` is the peak of the pressure
over its RMS, so a sine has 3.01 dB. Speech levels are those of the time in which somebody speaks.

Sources: ISO 9921:2003, annex A (A-weighted levels at 1 m: relaxed 54, normal 60, raised 66, loud 72, very loud 78);
ANSI S3.5-1997, table 3 (spectra of normal, raised, loud and shouted speech at 1 m; their bands sum to 62.3, 68.3,
74.8 and 82.3 dB, A-weighted 59.2, 66.3, 73.8 and 82.2). Where only an A-weighted level is published, the plain one
lies as far above it as in the neighbouring spectrum. Whisper, applause, claps and doors, all crest factors and all
spreads: common practice, no source.
"""

from dataclasses import dataclass
from typing import Literal

SourceKind = Literal["speech", "crowd", "impulse"]


@dataclass(frozen=True)
class Loudness:
    """What a kind of source is like: level, spread, crest, and how fast its peak comes."""

    kind: SourceKind
    level_db_spl: float
    crest_db: float
    sd_db: float
    """Spread of the level, as the standard deviation of a normal distribution in dB."""
    rise_ms: float = 20.0
    at_m: float = 1.0
    origin: str = "common practice, no source"


SPEECH_CREST_DB = 18.0
"""Peaks over the level while speaking, close microphone, full band (common practice, no source)."""

SPEECH_SD_DB = 4.0
"""Between talkers of one vocal effort, and one talker's takes (common practice, no source)."""

_ISO = "ISO 9921:2003, annex A"
_ANSI = "ANSI S3.5-1997, table 3"


def _speech(level_db_spl: float, origin: str) -> Loudness:
    return Loudness("speech", level_db_spl, SPEECH_CREST_DB, SPEECH_SD_DB, origin=origin)


SOURCES = {
    "whisper": _speech(42.0, "common practice, no source"),
    "relaxed": _speech(54.0 + 3.1, _ISO),
    "normal": _speech(62.3, _ANSI),
    "raised": _speech(68.3, _ANSI),
    "loud": _speech(74.8, _ANSI),
    "very_loud": _speech(78.0 + 0.5, _ISO),
    "shout": _speech(82.3, _ANSI),
    "laughter": Loudness("speech", 78.0, 18.0, 5.0),
    "applause": Loudness("crowd", 85.0, 15.0, 4.0, rise_ms=1.0, at_m=5.0),
    "hand_clap": Loudness("impulse", 92.0, 22.0, 5.0, rise_ms=0.5),
    "slate_clap": Loudness("impulse", 98.0, 22.0, 5.0, rise_ms=0.3),
    "slammed_door": Loudness("impulse", 98.0, 20.0, 6.0, rise_ms=2.0),
}
"""What a day may call a source under ``kind``, and what it is like."""
