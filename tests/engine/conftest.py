"""Signals and a meter for the tests of this room."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray

import takewell
from takewell.engine import Meter, MeterResult

F64 = NDArray[np.float64]
Measure = Callable[..., MeterResult]

SPEECH = Path(takewell.__file__).parent / "demo" / "speech"


@pytest.fixture
def measure() -> Measure:
    """Return a function that meters (n,) or (n, channels) samples, cut into blocks as asked."""

    def run(samples, rate, *, encoding="float64", channel_mask=None, blocks=None):
        samples = np.asarray(samples)
        samples = samples[:, None] if samples.ndim == 1 else samples
        meter = Meter(rate, samples.shape[1], encoding=encoding, channel_mask=channel_mask)
        at = 0
        for length in blocks if blocks is not None else [len(samples)]:
            meter.add(samples[at : at + length])
            at += length
        if at < len(samples):
            meter.add(samples[at:])
        return meter.finish()

    return run


@pytest.fixture
def speech() -> Callable[..., F64]:
    """Return a function giving seconds of one of the demonstration's voices, RMS 1 while it speaks, with pauses."""

    def make(seconds: float, rate: int, voice: int = 0, pause_s: float = 0.8) -> F64:
        files = sorted(SPEECH.glob("*.flac"))
        assert files, "the demonstration's speech is missing"
        samples, stored = soundfile.read(files[voice % len(files)])
        samples = soxr.resample(samples, stored, rate)
        piece, pause = round(2.5 * rate), np.zeros(round(pause_s * rate))
        parts, at = [pause], 0
        while sum(map(len, parts)) < seconds * rate:
            parts += [samples[at : at + piece], pause]
            at = (at + piece) % (len(samples) - piece)
        made = np.concatenate(parts)[: round(seconds * rate)]
        return made / np.sqrt(np.mean(made[made != 0] ** 2))

    return make


@pytest.fixture
def steady_noise() -> Callable[..., F64]:
    """Return a function giving Gaussian noise of RMS 1: white, or with 3 dB (pink) or 6 dB (brown) an octave."""

    def make(length: int, kind: str = "white", seed: int = 0) -> F64:
        spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(length))
        slope = {"white": 0.0, "pink": 0.5, "brown": 1.0}[kind]
        frequency = np.arange(len(spectrum)) / length
        # From 20 Hz at 48 kHz on, as a microphone would: the very lowest frequencies are not noise but drift.
        shape = np.where(frequency > 20 / 48_000, np.maximum(frequency, 1e-9) ** -slope, 0.0)
        noise = np.fft.irfft(spectrum * shape, length)
        return noise / np.sqrt(np.mean(noise**2))

    return make
