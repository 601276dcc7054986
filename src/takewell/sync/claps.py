"""Where does a slate clap: sharp, over all of the spectrum, and alone?

A clap's first milliseconds stand far over the half second before it, in every octave at once, and the tenth after it is
already falling. Found by the energy of 2 ms steps; a clap counts where recording and clip both have it.

Conventions: times are seconds of each file's own clock, of the step in which it rises.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import butter, sosfilt

from takewell.sync.sound import Sound
from takewell.sync.values import Clap, Pairing

F64 = NDArray[np.float64]

SEARCHED_S = 30.0
"""Slates are clapped at the head of a take, or at its tail."""

_STEP_S = 0.002
_BANDS_HZ = ((400.0, 1200.0), (1200.0, 3500.0), (3500.0, 7000.0))
_LEAST_RISE_DB, _LEAST_RISE_IN_BAND_DB = 25.0, 20.0
_MOST_LOOKED_AT = 40
_BEFORE_S, _ALONE_S = 0.15, 0.25
_FALL_S, _LEAST_FALL_DB = 0.06, 10.0
_TOGETHER_S = 0.004
_MOST = 8


def claps(recording: Sound, clip: Sound, pairing: Pairing) -> tuple[Clap, ...]:
    """Return the claps that both heard in the first and last half minute of their overlap, at most eight."""
    clip_s = float(pairing.clip.duration_s)
    start_s = max(0.0, pairing.recording_time_s(0.0))
    end_s = min(recording.length_samples / recording.rate, pairing.recording_time_s(clip_s))
    spans = [(start_s, min(start_s + SEARCHED_S, end_s))]
    if end_s - SEARCHED_S > spans[0][1]:
        spans.append((end_s - SEARCHED_S, end_s))
    found: list[Clap] = []
    for first_s, last_s in spans:
        own = _sharp(recording, first_s, last_s)
        if not own:
            continue
        other = _sharp(clip, pairing.clip_time_s(first_s), pairing.clip_time_s(last_s))
        for at_s, rise_db in own:
            expected = pairing.clip_time_s(at_s)
            near = [(t, r) for t, r in other if abs(t - expected) < _TOGETHER_S]
            if near:
                clip_at, clip_rise = min(near, key=lambda one: abs(one[0] - expected))
                found.append(Clap(at_s, clip_at, min(rise_db, clip_rise)))
    return tuple(sorted(found, key=lambda clap: -clap.rise_db)[:_MOST])


def _sharp(sound: Sound, first_s: float, last_s: float) -> list[tuple[float, float]]:
    """Return (time, rise in dB) of what is sharp, broad and alone between two times."""
    rate = sound.rate
    start, count = round(first_s * rate), round((last_s - first_s) * rate)
    step = max(1, round(_STEP_S * rate))
    if count < rate:
        return []
    samples = sound.read(start, count)
    # The difference of neighbours leaves rumble out: what rises there is looked at band by band.
    rise = _rise_db(np.diff(samples.astype(np.float64), prepend=samples[:1]), step)
    alone = round(_ALONE_S / _STEP_S)
    top = (rise >= _LEAST_RISE_DB) & (rise == maximum_filter1d(rise, 2 * alone + 1))
    places = np.flatnonzero(top)
    places = places[np.argsort(rise[places])[::-1][:_MOST_LOOKED_AT]]
    found = []
    for k in np.sort(places).tolist():
        first = max(0, k - alone)
        part = samples[first * step : (k + alone) * step].astype(np.float64)
        bands = [
            _rise_db(sosfilt(butter(2, (low, high), "bandpass", fs=rate, output="sos"), part), step)
            for low, high in _BANDS_HZ
            if high < 0.45 * rate
        ]
        # A band's filter answers a step or two later.
        least = min(
            (float(band[k - first : k - first + 4].max(initial=-np.inf)) for band in bands), default=-np.inf
        )
        if least >= _LEAST_RISE_IN_BAND_DB:
            found.append((float((start + k * step) / rate), float(rise[k])))
    return found


def _rise_db(wave: F64, step: int) -> F64:
    """Return for each step how far it stands over what lies before it, where it also falls soon after."""
    power = np.mean(wave[: len(wave) // step * step].reshape(-1, step) ** 2, axis=1)
    level = np.maximum(power, max(float(power.max(initial=0.0)) * 1e-9, 1e-16))
    before = round(_BEFORE_S / _STEP_S)
    sums = np.concatenate([[0.0], np.cumsum(level)])
    at = np.arange(len(level))
    # What lies before ends two steps early: the rise itself takes as long.
    stop = np.maximum(at - 2, 0)
    begin = np.maximum(stop - before, 0)
    earlier = np.where(stop > begin, (sums[stop] - sums[begin]) / np.maximum(stop - begin, 1), np.inf)
    fall = round(_FALL_S / _STEP_S)
    later = np.concatenate([level[fall:], np.full(min(fall, len(level)), np.inf)])[: len(level)]
    falls = level > later * 10 ** (_LEAST_FALL_DB / 10)
    return np.where(
        falls,
        10 * np.log10(level / earlier, where=np.isfinite(earlier), out=np.full(len(level), -np.inf)),
        -np.inf,
    )
