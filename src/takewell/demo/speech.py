"""What do the invented people say, and how loud are they a metre away?

Conventions: clips are (n,) float32 arrays at the asked rate; every clip's speech, its silences left out, has the
same mean square (`CLIP_LEVEL_DBFS`, AES17), shouts too; how loud it was spoken is in `EFFORT_DB_SPL`.

Sources
-------
Sound pressure at 1 m: ANSI S3.5-1997, table 3, the levels of its third-octave bands from 160 Hz to 8 kHz summed:
62.3 dB for normal effort, 82.3 dB for a shout. How the clips were made: ``speech/README.md`` beside this file.
"""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import as_file, files
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.units import SINE_CREST_DB

Effort = Literal["normal", "shout"]

CLIP_LEVEL_DBFS = -21.0 + SINE_CREST_DB
"""AES17 level of a clip's speech, silences left out."""

EFFORT_DB_SPL: Mapping[Effort, float] = MappingProxyType({"normal": 62.3, "shout": 82.3})
"""Sound pressure level 1 m in front of the mouth, in dB re 20 uPa."""


@dataclass(frozen=True)
class Clip:
    """One spoken sentence."""

    voice: str
    effort: Effort
    text: str
    samples: NDArray[np.float32]
    """(n,) and read-only; silences are exact zeros."""


@lru_cache(maxsize=4)
def voices(rate: int = 48_000) -> Mapping[str, tuple[Clip, ...]]:
    """Return every sentence of every voice, by the voice's name, in the order they were spoken.

    Parameters
    ----------
    rate : int
        Sampling rate in Hz; the clips hold nothing above 12 kHz whatever the rate.

    Examples
    --------
    >>> sorted(voices())
    ['anselm', 'edda', 'mira', 'perrin', 'tobin', 'yusa']
    >>> voices()["mira"][0].text
    'I read the gauge at six every morning, snow or no snow.'
    """
    import soundfile
    import soxr

    folder = files("takewell.demo") / "speech"
    found: dict[str, list[Clip]] = {}
    spoken: dict[str, NDArray[np.float32]] = {}
    with (folder / "clips.csv").open(encoding="utf-8") as table:
        for row in csv.DictReader(table):
            name = row["voice"]
            if name not in spoken:
                with as_file(folder / f"{name}.flac") as path:
                    spoken[name], file_rate = soundfile.read(path, dtype="float32")
            start, length = int(row["start_samples"]), int(row["length_samples"])
            samples = soxr.resample(spoken[name][start : start + length], file_rate, rate)
            samples.setflags(write=False)
            effort: Effort = "shout" if row["effort"] == "shout" else "normal"
            found.setdefault(name, []).append(Clip(name, effort, row["text"], samples))
    return MappingProxyType({name: tuple(clips) for name, clips in found.items()})
