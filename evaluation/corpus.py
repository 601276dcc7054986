"""Labelled sound: real speech over a noise floor, with damage planted at known places over ranges of severity.

Every case is drawn from a seed of its own, so any one can be made again. Tracks are 48 kHz; speech keeps the
bandwidth of its source (8 kHz for the telephone prompts). Planted times are seconds from the track's start.
"""

from collections.abc import Callable, Iterator
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
    samples: F64
    """(n,) as stored in `encoding`."""
    encoding: str
    start_s: float
    end_s: float
    truth: dict[str, float] = field(default_factory=dict)


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


def noise(n: int, level_dbfs: float, rng: np.random.Generator) -> F64:
    """Return steady noise that falls by 3 dB an octave above 100 Hz, at an AES17 level."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    hertz = np.fft.rfftfreq(n, 1 / RATE)
    shaped = np.fft.irfft(spectrum / np.sqrt(np.maximum(hertz, 100.0)) * (hertz > 20), n)
    return np.asarray(shaped * amplitude(level_dbfs - SINE_CREST_DB) / shaped.std())


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


def _voiced_at(track: F64, length: int, rng: np.random.Generator, snr_db: float, floor_dbfs: float) -> int:
    """Return where `length` samples start whose neighbourhood stands at least `snr_db` over the floor."""
    least = amplitude(floor_dbfs - SINE_CREST_DB + snr_db) ** 2
    sums = np.concatenate(([0.0], np.cumsum(track**2)))
    for _ in range(10_000):
        at = int(rng.integers(RATE // 2, len(track) - length - RATE // 2))
        around = (sums[at + length + 240] - sums[at - 240]) / (length + 480)
        if around > least:
            return at
    raise ValueError("no speech stands that far over the floor")


def clipped(source: Source, lost_db: float, way: str, rng: np.random.Generator) -> Case:
    """A track cut `lost_db` under its highest crest; `way` says at which level and in which encoding."""
    track, _ = speech_track(source, 15, rng)
    encoding, rail_dbfs = {
        "int24 at full scale": ("int24", 0.0),
        "float at −8 dBFS": ("float32", -8.1),
        "float at +12 dBFS": ("float32", 12.0),
        "16 bit, then turned down 20 dB": ("int16", -20.0),
    }[way]
    rail = float(amplitude(rail_dbfs))
    track *= rail * amplitude(lost_db) / np.abs(track).max()
    cut = np.abs(track) >= rail
    edges = np.flatnonzero(np.diff(np.concatenate(([False], cut, [False])).astype(np.int8))).reshape(-1, 2)
    edges = edges[edges[:, 1] - edges[:, 0] >= 3]
    samples = stored(np.clip(track, -rail, rail), encoding)
    if not len(edges):
        return Case("clipped", f"{lost_db:g} dB", samples, encoding, 0.0, 0.0, {"flats": 0})
    start, end = float(edges[0, 0] / RATE), float(edges[-1, 1] / RATE)
    truth = {"flats": len(edges), "rail_dbfs": rail_dbfs}
    return Case("clipped", f"{lost_db:g} dB", samples, encoding, start, end, truth)


def dropout(source: Source, milliseconds: float, way: str, rng: np.random.Generator) -> Case:
    """A hole in speech at 20 dB or more over the floor: zeros, or a receiver's own noise."""
    track, floor_dbfs = speech_track(source, 15, rng)
    length = max(1, round(milliseconds * RATE / 1000))
    at = _voiced_at(track, length, rng, 20.0, floor_dbfs)
    left = 0.0 if way == "zeros" else amplitude(-105.0) * rng.standard_normal(length)
    track[at : at + length] = left
    return Case(
        "dropout",
        f"{way} {milliseconds:g} ms",
        stored(track, "int24"),
        "int24",
        at / RATE,
        (at + length) / RATE,
    )


def silence(source: Source, seconds: float, way: str, rng: np.random.Generator) -> Case:
    """A mute inside a take."""
    del way
    track, _ = speech_track(source, 15, rng)
    length = round(seconds * RATE)
    at = int(rng.integers(RATE, len(track) - length - RATE))
    track[at : at + length] = 0
    return Case(
        "digital_silence", f"{seconds:g} s", stored(track, "int24"), "int24", at / RATE, (at + length) / RATE
    )


def hum(source: Source, over_floor_db: float, way: str, rng: np.random.Generator) -> Case:
    """Mains hum of a minute, its level against the floor that is there without it."""
    track, floor_dbfs = speech_track(source, 60, rng)
    nominal = 50.0 if way == "50 Hz" else 60.0
    hertz = nominal + float(rng.uniform(-0.1, 0.1))
    t = np.arange(len(track)) / RATE
    orders = sorted({1, 2, 3, *rng.choice(np.arange(4, 20), 4, replace=False).tolist()})
    wave = sum(
        np.sin(2 * np.pi * hertz * k * t + rng.uniform(0, 6.28)) * rng.uniform(0.3, 1) / k for k in orders
    )
    track += wave * amplitude(floor_dbfs + over_floor_db - SINE_CREST_DB) / np.std(wave)
    return Case(
        "hum", f"floor {over_floor_db:+g} dB", stored(track, "int24"), "int24", 0.0, 60.0, {"hertz": hertz}
    )


def dc_offset(source: Source, offset_dbfs: float, way: str, rng: np.random.Generator) -> Case:
    """A steady offset of either sign."""
    track, _ = speech_track(source, 15, rng)
    offset = float(amplitude(offset_dbfs)) * (1 if way == "positive" else -1)
    return Case(
        "dc_offset",
        f"{offset_dbfs:g} dBFS",
        stored(track + offset, "int24"),
        "int24",
        0.0,
        15.0,
        {"offset": offset},
    )


def noisy(source: Source, apart_db: float, way: str, rng: np.random.Generator) -> Case:
    """Speech with noise `apart_db` under it, unweighted."""
    del way
    track, _ = speech_track(source, 30, rng)
    track += noise(len(track), SPEECH_DBFS - apart_db, rng)
    return Case("noisy", f"speech {apart_db:g} dB over", stored(track, "int24"), "int24", 0.0, 30.0)


def nonfinite(source: Source, count: float, way: str, rng: np.random.Generator) -> Case:
    """Samples that are no numbers, in a float track."""
    track, _ = speech_track(source, 15, rng)
    at = int(rng.integers(RATE, len(track) - RATE))
    track[at : at + int(count)] = np.nan if way == "NaN" else np.inf
    return Case(
        "nonfinite", f"{count:g} samples", stored(track, "float32"), "float32", at / RATE, (at + count) / RATE
    )


Maker = Callable[[Source, float, str, np.random.Generator], Case]


@dataclass(frozen=True)
class Family:
    """Cases of one kind of damage: every severity in every way, `repeats` times for each voice."""

    make: Maker
    severities: tuple[float, ...]
    ways: tuple[str, ...]
    repeats: int


FAMILIES = (
    Family(
        clipped,
        (0.5, 1, 2, 3, 6, 12, 20),
        ("int24 at full scale", "float at −8 dBFS", "float at +12 dBFS", "16 bit, then turned down 20 dB"),
        2,
    ),
    Family(dropout, (0.5, 1, 2, 5, 20, 80, 250), ("zeros",), 5),
    Family(dropout, (10, 20, 40, 80), ("collapse",), 5),
    Family(silence, (0.35, 1, 4), ("mute",), 3),
    Family(hum, (-12, -6, 0, 6, 12), ("50 Hz", "60 Hz"), 2),
    Family(dc_offset, (-60, -52, -48, -40, -26), ("positive", "negative"), 2),
    Family(noisy, (5, 10, 15, 20, 30), ("noise",), 2),
    Family(nonfinite, (1, 37, 4800), ("NaN", "infinity"), 2),
)
