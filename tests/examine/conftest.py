"""A slow, obvious tracer and one-track takes, so that the detectors are tested without the engine."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter, sosfilt

from takewell.engine.results import Clip, Passage, TrackMeasurement
from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.measure.trace import Trace
from takewell.measure.weighting import weighting_sos
from takewell.roll.values import MediaFile, Piece, Role, Take, Track
from takewell.units import step_edges

RATE = 48_000

K_WEIGHTING = np.array(
    [
        [1.53512485958697, -2.69169618940638, 1.19839281085285, 1, -1.69065929318241, 0.73248077421585],
        [1, -2, 1, 1, -1.99004745483398, 0.99007225036621],
    ]
)
"""ITU-R BS.1770-5, Annex 1, tables 1 and 2 (48 kHz)."""


def _flat_runs(x: NDArray[np.float64], edges: NDArray[np.int64]) -> NDArray[np.int32]:
    """The longest run in each step of neighbours within one part in 10^4, at least half as high as its peak."""
    alike = np.concatenate(([False], np.abs(np.diff(x)) <= 1e-4 * np.abs(x[1:])))
    at = np.arange(len(x))
    run = at - np.maximum.accumulate(np.where(alike, 0, at)) + 1
    longest = []
    for i, j in pairwise(edges):
        peak = np.abs(x[i:j]).max()
        longest.append(run[i:j][np.abs(x[i:j]) >= peak / 2].max() if peak else 0)
    return np.array(longest, np.int32)


def trace_of(samples: NDArray[np.float64], *, integer_step: float = 0.0) -> Trace:
    """Return the trace of a (n,) array at 48 kHz, step by step as the trace's own docstring defines it."""
    finite = np.where(np.isfinite(samples), samples, 0.0)
    edges, fine = step_edges(len(samples), RATE), step_edges(len(samples), RATE, 100)
    k = sosfilt(K_WEIGHTING, finite)
    a = sosfilt(weighting_sos("A", RATE), finite)

    def per(
        at: NDArray[np.int64], x: NDArray[np.float64], reduce: Callable[..., float]
    ) -> NDArray[np.float32]:
        return np.array([reduce(x[i:j]) for i, j in pairwise(at)], np.float32)

    def root(x: NDArray[np.float64]) -> float:
        return float(np.sqrt(np.mean(x**2)))

    def peak(x: NDArray[np.float64]) -> float:
        return float(np.abs(x).max())

    over = np.abs(finite) >= 1 - integer_step if integer_step else np.abs(finite) > 1
    return Trace(
        rate=RATE,
        edges=edges,
        peak=per(edges, finite, peak),
        true_peak_bound=per(edges, finite, peak) * np.float32(1.5),
        mean=per(edges, finite, lambda x: float(x.mean())),
        rms=per(edges, finite, root),
        k_rms=per(edges, k, root),
        a_rms=per(edges, a, root),
        nonfinite=per(edges, ~np.isfinite(samples), np.sum).astype(np.int32),
        over=per(edges, over, np.sum).astype(np.int32),
        zeros=per(edges, samples == 0, np.sum).astype(np.int32),
        flat_run=_flat_runs(finite, edges),
        fine_edges=fine,
        fine_rms=per(fine, finite, root),
        fine_k_rms=per(fine, k, root),
        fine_bend=per(fine, np.abs(np.diff(finite, 2, prepend=[0, 0])), np.max),
    )


@dataclass
class ArrayReader:
    """Reads the tracks of a take from arrays, counting what was asked for."""

    tracks: dict[int, NDArray[np.float64]]
    samples_read: int = field(default=0)

    def read(self, track_numbers: Sequence[int], start_samples: int, count: int) -> NDArray[np.float64]:
        part = np.stack(
            [self.tracks[n][start_samples : start_samples + count] for n in track_numbers], axis=1
        )
        self.samples_read += part.size
        return part


def measurement(
    channel: int, passages: tuple[Passage, ...], clips: tuple[Clip, ...] = ()
) -> TrackMeasurement:
    """A measurement that says nothing but its passages and clips."""
    return TrackMeasurement(channel, None, *[None] * 13, 0, 0, passages, clips)


INTEGER_STEP = {"int16": 2.0**-15, "int24": 2.0**-23}


def stored(samples: NDArray[np.float64], encoding: str) -> NDArray[np.float64]:
    """Return the samples as the encoding holds them (no dither; beyond full scale an integer saturates)."""
    if encoding in INTEGER_STEP:
        step = INTEGER_STEP[encoding]
        return np.clip(np.round(samples / step), -1 / step, 1 / step - 1) * step
    return samples.astype(np.float32).astype(np.float64)


Hear = Callable[..., TakeEvidence]


@pytest.fixture
def hear() -> Hear:
    """Return a function that makes a take of the arrays given: ``hear([a, b], roles=..., names=...)``."""

    def build(
        arrays: Sequence[NDArray[np.float64]],
        *,
        encodings: Sequence[str] | str = "float32",
        roles: Sequence[Role] | Role = "iso",
        names: Sequence[str] | None = None,
        passages: Sequence[tuple[Passage, ...]] | None = None,
        kind: str = "take",
        recoveries: tuple[str, ...] = (),
    ) -> TakeEvidence:
        n = len(arrays)
        kinds = [encodings] * n if isinstance(encodings, str) else list(encodings)
        parts = [roles] * n if isinstance(roles, str) else list(roles)
        sounds = [stored(x, e) for x, e in zip(arrays, kinds, strict=True)]
        reader = ArrayReader(dict(enumerate(sounds, 1)))
        length = len(sounds[0])
        files = (MediaFile("a.wav", 0, "WAVE", kinds[0], RATE, n, length, None, recoveries),)
        tracks = tuple(
            Track(
                k,
                (names or [f"Voice {k}"] * n)[k - 1],
                parts[k - 1],
                kinds[k - 1],
                (Piece("a.wav", k, 0, length),),
            )
            for k in range(1, n + 1)
        )
        take = Take("7-1", "7", "1", kind, RATE, length, None, None, None, files, tracks)  # type: ignore[arg-type]
        heard = tuple(
            TrackEvidence(
                take,
                track,
                trace_of(sounds[k], integer_step=INTEGER_STEP.get(kinds[k], 0.0)),
                ((track.pieces[0], measurement(k + 1, passages[k] if passages else ())),),
                reader,
            )
            for k, track in enumerate(tracks)
        )
        return TakeEvidence(take, heard, reader)

    return build


@pytest.fixture
def rng() -> np.random.Generator:
    """Return a generator of one seed."""
    return np.random.default_rng(20_240_611)


@pytest.fixture
def babble(rng: np.random.Generator) -> Callable[..., NDArray[np.float64]]:
    """Return a function that makes sound with the ups and downs of speech, over a floor 50 dB down."""

    def make(seconds: float, *, level: float = 0.1) -> NDArray[np.float64]:
        n = round(seconds * RATE)
        t = np.arange(n) / RATE
        pitch = 120 * np.exp(0.15 * np.sin(2 * np.pi * 0.7 * t))
        phase = 2 * np.pi * np.cumsum(pitch) / RATE
        buzz = sum(np.cos(h * phase + h * h) / h for h in range(1, 30))
        syllables = np.clip(np.sin(2 * np.pi * 3.1 * t + 2 * np.sin(2 * np.pi * 0.37 * t)), 0, 1) ** 1.5
        sentences = (np.sin(2 * np.pi * 0.17 * t) > -0.1).astype(float)
        sentences = np.convolve(sentences, np.hanning(960) / np.hanning(960).sum(), mode="same")
        breath = lfilter([0.2], [1, -0.8], rng.standard_normal(n))
        sound = (buzz + 0.5 * breath) * syllables * sentences
        return level * sound / sound.std() + level * 10 ** (-50 / 20) * rng.standard_normal(n)

    return make
