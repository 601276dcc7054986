"""What does a chosen moment of a track sound like against the floor, in third octaves?

The moment is `MOMENT_S` around the second asked for; the floor is the quietest stretch of that length in the
track, digital silence aside. Method of both: `takewell.measure.spectrum` (Welch; IEC 61260-1 bands).

Conventions: seconds of the take; AES17 dBFS in each band.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from takewell.measure.loudness import window_powers
from takewell.measure.spectrum import power_density, third_octaves
from takewell.measure.trace import Trace
from takewell.roll import Take, TrackReader
from takewell.units import STEPS_PER_SECOND

MOMENT_S = 2.0


@dataclass(frozen=True)
class MomentSpectrum:
    """Band levels of a moment and of the floor; no floor where the track is silent throughout."""

    start_s: float
    end_s: float
    floor_start_s: float | None
    middle_hz: tuple[float, ...]
    moment_dbfs: tuple[float, ...]
    floor_dbfs: tuple[float, ...] | None


def moment_spectrum(folder: Path, take: Take, track: int, trace: Trace, at_s: float) -> MomentSpectrum:
    """Return the spectrum around a moment of a track.

    Parameters
    ----------
    folder : Path
        The roll's folder.
    take : Take
    track : int
        Its number.
    trace : Trace
        The track's trace.
    at_s : float
        Taken to the nearest second that lies inside.

    Raises
    ------
    SettingError
        If the take has no such track.
    FileError
        If a file cannot be read.
    """
    length = trace.length_samples / trace.rate
    span = min(MOMENT_S, length)
    start = min(max(at_s - span / 2, 0.0), length - span)
    quiet = _quietest_s(trace, span)
    with TrackReader(folder, take) as reader:
        middle, moment = _bands(reader, track, trace.rate, start, span)
        floor = None if quiet is None else _bands(reader, track, trace.rate, quiet, span)[1]
    return MomentSpectrum(start, start + span, quiet, middle, moment, floor)


def _bands(
    reader: TrackReader, track: int, rate: int, start_s: float, span_s: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    samples = reader.read([track], round(start_s * rate), max(round(span_s * rate), 2))
    finite = np.nan_to_num(samples.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)
    if len(finite) < 2:
        finite = np.zeros((2, 1))
    bands = third_octaves(power_density(finite, rate, segment_s=0.5))
    return tuple(bands.middle_hz.tolist()), tuple(bands.level_dbfs[:, 0].tolist())


def _quietest_s(trace: Trace, span_s: float) -> float | None:
    """Return where the quietest whole stretch begins in which no step is digitally silent; None where there is none."""
    lengths = np.diff(trace.edges)
    steps = max(1, min(round(span_s * STEPS_PER_SECOND), len(lengths)))
    power = window_powers(trace.rms.astype(np.float64) ** 2 * lengths, lengths, steps)
    dead = (trace.zeros >= lengths // 2).astype(np.float64)
    sound = window_powers(dead, np.ones(len(dead), np.int64), steps) == 0
    if not len(power) or not sound.any():
        return None
    return float(trace.edges[int(np.argmin(np.where(sound, power, np.inf)))] / trace.rate)
