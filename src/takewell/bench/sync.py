"""Where in a recording does the test programme lie, and how fast does the recorder's clock run?

Method: a matched filter for the rising and the falling chirp, normalised by the recording's own energy, so gain and polarity
do not matter; the time between two chirps of one kind tells the part. A chirp keeps its peak under any clock error
a recorder can have; a wrong speed only moves it. The correlation is a wave itself, at its crest where
``sum(phase error * frequency)`` vanishes: a chirp of length T from f0 to f1, played e too slowly, is late by e t at the time t, so
it is found late by ``e T mean(x f^2) / mean(f^2)``, f = f0 + (f1 - f0) x: known for both kinds, and taken out again.
Memory is bounded: the recording is searched in stretches.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from takewell.bench import waveforms
from takewell.bench.programme import Part
from takewell.wave import AudioFile

F64 = NDArray[np.float64]

STRETCH_S = 10.0
LEAST_HEIGHT = 0.4
"""Of the normalised correlation; noise alone reaches a few hundredths."""

GAP_SLACK_S = 0.02

_LOW_HZ, _HIGH_HZ = waveforms.CHIRP_HZ
_BAND_HZ = _HIGH_HZ - _LOW_HZ
RISING_MOVED_S = (
    waveforms.CHIRP_S
    * (_LOW_HZ**2 / 2 + 2 * _LOW_HZ * _BAND_HZ / 3 + _BAND_HZ**2 / 4)
    / (_LOW_HZ**2 + _LOW_HZ * _BAND_HZ + _BAND_HZ**2 / 3)
)
FALLING_MOVED_S = waveforms.CHIRP_S - RISING_MOVED_S
"""How much later a chirp is found for each unit of a clock that runs fast."""


@dataclass(frozen=True)
class Placed:
    """A part found in a recording: sample = start_samples + stretch * rate * (seconds of the part)."""

    part: Part
    start_samples: float
    stretch: float
    """Recorder's clock over player's, as the two syncs tell it; 1 where only one was found."""
    whole: bool
    """Whether both syncs were found."""

    def at(self, seconds: float, rate: int) -> float:
        """Return the position of a moment of the part, in samples of the recording."""
        return self.start_samples + self.stretch * rate * seconds


@dataclass(frozen=True)
class _Chirp:
    at_samples: float
    height: float


def find_parts(audio: AudioFile, programme: tuple[Part, ...]) -> tuple[Placed, ...]:
    """Return the parts of the programme that a recording holds, in order of time."""
    best: tuple[float, list[_Chirp], list[_Chirp]] = (0.0, [], [])
    for channel in range(audio.info.channels):
        rising, falling = (_chirps(audio, channel, falling=way) for way in (False, True))
        score = sum(c.height for c in (*rising, *falling))
        if score > best[0]:
            best = (score, rising, falling)
        if rising and min(c.height for c in rising) > 0.95:
            break
    rate = audio.info.rate
    heads = _pairs(best[1], programme, rate)
    tails = _pairs(best[2], programme, rate)
    placed = []
    for index, (at, part) in enumerate(heads):
        until = heads[index + 1][0] if index + 1 < len(heads) else np.inf
        between_s = part.tail.start_s - part.head.start_s
        ends = [t for t, p in tails if p is part and at < t < until]
        ends = [t for t in ends if abs((t - at) / rate / between_s - 1) < 2e-3]
        error = 0.0
        if ends:
            error = (ends[0] - at) / rate - between_s
            error /= between_s + FALLING_MOVED_S - RISING_MOVED_S
        begin = at - error * RISING_MOVED_S * rate - (1 + error) * rate * part.head.start_s
        placed.append(Placed(part, begin, 1 + error, bool(ends)))
    return tuple(placed)


def _pairs(chirps: list[_Chirp], programme: tuple[Part, ...], rate: int) -> list[tuple[float, Part]]:
    """Return (position of the first chirp, part) of every two chirps that stand as a part's do."""
    found = []
    for first, second in pairwise(chirps):
        apart_s = (second.at_samples - first.at_samples) / rate
        for part in programme:
            if abs(apart_s - waveforms.CHIRP_S - part.head.gap_s) < GAP_SLACK_S:
                found.append((first.at_samples, part))
    return found


def _chirps(audio: AudioFile, channel: int, *, falling: bool) -> list[_Chirp]:
    rate = audio.info.rate
    reference = waveforms.chirp(np.arange(round(waveforms.CHIRP_S * rate)) / rate, falling=falling)
    reference /= np.sqrt(np.sum(reference**2))
    size = next_fast_len(round(STRETCH_S * rate) + len(reference), real=True)
    spectrum = np.conj(rfft(reference, size))
    hop = size - len(reference)
    found: list[_Chirp] = []
    for start in range(0, audio.info.length_samples, hop):
        block = np.nan_to_num(audio.read(start, size)[:, channel].astype(np.float64), posinf=0, neginf=0)
        if len(block) <= len(reference):
            break
        peak = np.abs(block).max()
        if peak == 0:
            continue
        block /= peak
        curve = irfft(rfft(block, size) * spectrum, size)[: len(block) - len(reference) + 1]
        energy = np.concatenate([[0.0], np.cumsum(block**2)])
        within = energy[len(reference) :] - energy[: len(energy) - len(reference)]
        floor = 1e-12 * len(reference)
        height = np.abs(curve) / np.sqrt(np.maximum(within, floor))
        height[within <= floor] = 0.0
        found += _peaks(height, np.abs(curve), start, rate)
    return _distinct(found, rate)


def _peaks(height: F64, curve: F64, start: int, rate: int) -> list[_Chirp]:
    found = []
    apart = round(waveforms.CHIRP_S * rate)
    left = height.copy()
    while len(left) and (top := int(np.argmax(left))) >= 0 and left[top] > LEAST_HEIGHT:
        offset = 0.0
        if 0 < top < len(curve) - 1:
            below, at, above = curve[top - 1 : top + 2]
            bend = below - 2 * at + above
            offset = 0.5 * (below - above) / bend if bend < 0 else 0.0
        found.append(_Chirp(start + top + offset, float(height[top])))
        left[max(0, top - apart) : top + apart] = 0.0
    return found


def _distinct(found: list[_Chirp], rate: int) -> list[_Chirp]:
    """Return the chirps in order, each once (stretches overlap)."""
    kept: list[_Chirp] = []
    for chirp in sorted(found, key=lambda c: c.at_samples):
        if kept and chirp.at_samples - kept[-1].at_samples < 0.5 * waveforms.CHIRP_S * rate:
            if chirp.height > kept[-1].height:
                kept[-1] = chirp
        else:
            kept.append(chirp)
    return kept
