"""Where does sound from below the voice push itself forward, and how does it run there?

Knocks, gusts and popped consonants live under 100 Hz, where the traces see them without a sample being read: the
K-weighting of ITU-R BS.1770 turns 20 Hz down by 13 dB, 40 Hz by 6, 60 Hz by 3 and the lowest men's voices by less than 2. Only
stretches that show so are read, a few seconds at a time.

Conventions: fine steps of 10 ms; levels are AES17 dBFS; times are seconds of the take. The low band is 20 to 80 Hz:
under it lies what nobody hears, over it the voice.
"""

from dataclasses import dataclass

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfiltfilt

from takewell.examine.evidence import TrackEvidence
from takewell.units import rms_dbfs

F64 = NDArray[np.float64]
Marks = NDArray[np.bool_]

EXCESS_DB = 3.0
"""What a fine step reads more without weighting than with K: half of its energy then lies under 60 Hz or so."""

HEAVY_DB = 17.0
"""What a 100 ms step reads more without weighting than with A: a voice reads 5 to 12 dB more, a tone of 100 Hz 19.1."""

UNDER_SPEECH_DB = 15.0
"""Steps more than this under the speech are not looked at: what lies there is rumble's to say."""

READ_RATE = 4000
"""Rate the sound is brought down to; the voice's strongest part stays in it."""

LOW_HZ = (20.0, 80.0)
WIDE_HZ = (20.0, 160.0)
"""The low band with what rings in stands and cables above it, where deep voices are too."""

VOICE_HZ = (200.0, 1800.0)

LOW_SMOOTH_S = 0.04
"""Two periods of 50 Hz, so that the level of the low band does not follow its wave."""

VOICE_SMOOTH_S = 0.02

STEP_S = 0.01


@dataclass(frozen=True)
class LowBand:
    """The bands of one stretch in steps of 10 ms: (n,) levels in dBFS, step k at ``start_s + k / 100``."""

    start_s: float
    low_dbfs: F64
    wide_dbfs: F64
    voice_dbfs: F64
    wave: F64
    """The low band's wave at 1 kHz."""


def speech_dbfs(heard: TrackEvidence, at_s: F64) -> F64:
    """Return the speech level of the passage that holds each moment; NaN where there is none."""
    levels = np.full(len(at_s), np.nan)
    for passage in heard.passages():
        if passage.speech_level_dbfs is not None:
            levels[(at_s >= passage.start_s) & (at_s < passage.end_s)] = passage.speech_level_dbfs
    return levels


def low_steps(heard: TrackEvidence) -> Marks:
    """Return which fine steps the low band rules at a level that counts beside the speech; an offset does not count."""
    trace = heard.trace
    if not len(trace.rms):
        return np.zeros(0, np.bool_)
    middles = (trace.fine_edges[:-1] + trace.fine_edges[1:]) / 2
    step = np.searchsorted(trace.edges, middles, side="right") - 1
    offset = float(np.median(trace.mean)) ** 2
    least = 10 ** ((speech_dbfs(heard, middles / heard.rate) - UNDER_SPEECH_DB) / 10) / 2
    fine = trace.fine_rms.astype(np.float64) ** 2 - offset
    marked = (fine >= 10 ** (EXCESS_DB / 10) * trace.fine_k_rms.astype(np.float64) ** 2) & (fine >= least)
    whole = trace.rms.astype(np.float64) ** 2 - offset
    heavy = whole >= 10 ** (HEAVY_DB / 10) * trace.a_rms.astype(np.float64) ** 2
    return np.asarray(marked | (heavy[step] & (whole[step] >= least)))


def low_band(heard: TrackEvidence, start_s: float, end_s: float) -> LowBand | None:
    """Return the bands of a stretch, None where the track is shorter than half a second there."""
    start = max(round(start_s * 100), 0)
    first = round(start * heard.rate / 100)
    samples = heard.samples(first, round(end_s * heard.rate))
    if len(samples) < heard.rate // 2:
        return None
    sound = (
        soxr.resample(samples, heard.rate, READ_RATE, quality="MQ") if heard.rate != READ_RATE else samples
    )
    low = _band(sound, LOW_HZ)
    voice = _band(sound, VOICE_HZ)
    return LowBand(
        start / 100,
        _levels(low, LOW_SMOOTH_S),
        _levels(_band(sound, WIDE_HZ), LOW_SMOOTH_S),
        _levels(voice, VOICE_SMOOTH_S),
        low[:: READ_RATE // 1000],
    )


def _band(sound: F64, band_hz: tuple[float, float]) -> F64:
    sections = butter(2, band_hz, "bandpass", fs=READ_RATE, output="sos")
    return np.asarray(sosfiltfilt(sections, sound, padlen=min(len(sound) - 1, READ_RATE // 10)))


def _levels(band: F64, smooth_s: float) -> F64:
    power = uniform_filter1d(band**2, round(smooth_s * READ_RATE), mode="nearest")
    return rms_dbfs(np.maximum(power[:: round(STEP_S * READ_RATE)], 1e-30))
