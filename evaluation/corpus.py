"""Labelled sound: real speech over a noise floor, with damage planted at known places over ranges of severity.

What is planted is made in `evaluation.faults`. Every case is drawn from a seed of its own, so any one can be made again. Tracks are 48 kHz; speech keeps the
bandwidth of its source (8 kHz for the telephone prompts). Planted times are seconds from the track's start.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
from evaluation.sources import RATE, Source, at_48k, decoded, files
from numpy.typing import NDArray

from takewell.units import SINE_CREST_DB, amplitude

F64 = NDArray[np.float64]

SPEECH_DBFS = -26.0
"""AES17 RMS of each recording in a track, as it stands before any gain."""

FLOOR_DBFS = (-75.0, -58.0)
"""Range of the noise under the speech."""

PAUSE_S = (0.4, 1.5)

POOL = 100
"""Recordings of a voice that tracks are put together from."""


@dataclass(frozen=True)
class Case:
    """A track, what was planted in it, and how hard."""

    kind: str
    severity: str
    rank: float
    """Order of the severities: the larger, the plainer."""
    samples: F64
    """(n,) as stored in `encoding`."""
    encoding: str
    events: tuple[tuple[float, float], ...]
    """(start, end) of each, in seconds; more than 11 s apart."""
    family: str = ""
    truth: dict[str, float] = field(default_factory=dict)
    asked: bool = True
    """False where the event lies beyond what the detector is made for, and is planted to show where it ends."""


def rng_of(*names: object) -> np.random.Generator:
    """Return a generator whose seed is made of names, the same on every machine."""
    text = "/".join(map(str, names))
    return np.random.default_rng(np.frombuffer(text.encode().ljust(8, b"."), np.uint8).astype(np.uint32))


def speech_track(source: Source, seconds: float, rng: np.random.Generator) -> tuple[F64, float]:
    """Return (track, floor in dBFS): recordings of one voice with pauses, over steady coloured noise."""
    names = files(source)
    names = names[:: -(-len(names) // POOL)]
    n = round(seconds * RATE)
    track = np.zeros(n)
    at = round(rng.uniform(0.5, 1.5) * RATE)
    while at < n - RATE:
        clip = _clip(names[int(rng.integers(len(names)))])
        clip = clip[: n - RATE // 2 - at]
        level = float(np.sqrt(np.mean(clip**2))) if len(clip) else 0.0
        if len(clip) < RATE // 2 or level <= 0:
            at += RATE // 4
            continue
        fade = np.minimum(1, np.minimum(np.arange(len(clip)), np.arange(len(clip))[::-1]) / 960)
        track[at : at + len(clip)] += clip * fade * amplitude(SPEECH_DBFS - SINE_CREST_DB) / level
        at += len(clip) + round(rng.uniform(*PAUSE_S) * RATE)
    floor_dbfs = float(rng.uniform(*FLOOR_DBFS))
    return track + noise(n, floor_dbfs, rng), floor_dbfs


@lru_cache(maxsize=2 * POOL)
def _clip(path: Path) -> F64:
    return at_48k(*decoded(path))


NOISE_SAMPLES = 1 << 22


def noise(n: int, level_dbfs: float, rng: np.random.Generator) -> F64:
    """Return steady noise that falls by 3 dB an octave above 100 Hz, at an AES17 level: a stretch of one long one."""
    at = int(rng.integers(NOISE_SAMPLES))
    stretch = np.take(_long_noise(), np.arange(at, at + n), mode="wrap")
    return stretch * (amplitude(level_dbfs - SINE_CREST_DB) * rng.choice((-1, 1)))


@lru_cache(maxsize=1)
def _long_noise() -> F64:
    rng = rng_of("noise")
    spectrum = np.fft.rfft(rng.standard_normal(NOISE_SAMPLES))
    hertz = np.fft.rfftfreq(NOISE_SAMPLES, 1 / RATE)
    shaped = np.fft.irfft(spectrum / np.sqrt(np.maximum(hertz, 100.0)) * (hertz > 20), NOISE_SAMPLES)
    return np.asarray(shaped / shaped.std())


def stored(samples: F64, encoding: str) -> F64:
    """Return the samples as an encoding holds them; an integer saturates at full scale."""
    bits = {"int16": 16, "int24": 24}.get(encoding)
    if bits is None:
        return samples.astype(np.float32).astype(np.float64)
    step = 2.0 ** (1 - bits)
    return np.asarray(np.clip(np.round(samples / step), -1 / step, 1 / step - 1) * step)


def clean_tracks(source: Source, seconds: float, count: int, salt: str) -> Iterator[tuple[F64, str]]:
    """Yield undamaged tracks of speech in every encoding and at ordinary and extreme gains."""
    ways = (
        ("int24", 0.0),
        ("int16", 0.0),
        ("float32", 0.0),
        ("float32", 40.0),
        ("float32", -60.0),
        ("int16", -20.0),
    )
    for k in range(count):
        rng = rng_of(salt, source.name, "clean", k)
        track, _ = speech_track(source, seconds, rng)
        encoding, gain_db = ways[k % len(ways)]
        if encoding != "float32":
            track *= 0.9 / np.abs(track).max()
        yield stored(track * amplitude(gain_db), encoding), encoding


def voiced_at(
    track: F64, length: int, rng: np.random.Generator, snr_db: float, floor_dbfs: float, first: int, last: int
) -> int | None:
    """Return where in ``[first, last)`` `length` samples start whose neighbourhood stands `snr_db` over the floor.

    None where no such place turns up.
    """
    least = amplitude(floor_dbfs - SINE_CREST_DB + snr_db) ** 2
    sums = np.concatenate(([0.0], np.cumsum(track[first - 240 : last + 240] ** 2)))
    for at in rng.integers(0, last - first - length, 500).tolist():
        if (sums[at + length + 480] - sums[at]) / (length + 480) > least:
            return int(at) + first
    return None
