"""Sound to line up: the invented voices, heard by two devices with clocks of their own."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray

from takewell.demo import voices
from takewell.roll import loose
from takewell.sync import Clip, Recording, read_clip

collect_ignore = [] if find_spec("opentimelineio") else ["test_timeline.py"]
"""OpenTimelineIO comes late to each new Python."""

RATE = 48_000


class Heard:
    """An array that is read like a sound."""

    def __init__(self, samples: NDArray[np.floating], rate: int = RATE) -> None:
        self.samples, self.rate, self.length_samples = samples, rate, len(samples)

    def read(self, start_samples: int, count: int) -> NDArray[np.float32]:
        out = np.zeros(count, np.float32)
        first, last = max(start_samples, 0), min(start_samples + count, len(self.samples))
        if last > first:
            out[first - start_samples : last - start_samples] = self.samples[first:last]
        return out

    def blocks(self) -> list[NDArray[np.float32]]:
        return [
            self.samples[at : at + 30_011].astype(np.float32) for at in range(0, len(self.samples), 30_011)
        ]


def talk(seconds: float, seed: int = 0) -> NDArray[np.float32]:
    """Return people who talk in turn, with pauses."""
    rng = np.random.default_rng(seed)
    clips = [clip.samples for voice in voices(RATE).values() for clip in voice]
    out = np.zeros(round(seconds * RATE), np.float32)
    order = rng.permutation(len(clips)).tolist()
    at = int(rng.uniform(0, 0.3) * RATE)
    while at < len(out):
        said = clips[order.pop()] if order else clips[int(rng.integers(len(clips)))]
        said = said[: len(out) - at]
        out[at : at + len(said)] += said
        at += len(said) + int(rng.uniform(0.2, 0.7) * RATE)
    return out


def with_floor(samples: NDArray[np.floating], seed: int, level: float = 1e-3) -> NDArray[np.float32]:
    """Return the samples over a device's own noise."""
    noise = np.random.default_rng(seed).standard_normal(len(samples)) * level
    return (samples + noise).astype(np.float32)


def drifted(samples: NDArray[np.float32], ppm: float) -> NDArray[np.float32]:
    """Return what a device records whose clock runs `ppm` fast."""
    return np.asarray(soxr.resample(samples, RATE, RATE * (1 + ppm * 1e-6), quality="VHQ"), np.float32)


def recording(path: Path, samples: NDArray[np.floating]) -> Recording:
    """Write a take and return it."""
    soundfile.write(path, samples, RATE, subtype="PCM_24")
    return Recording(path.parent, loose([path]).takes[0])


def clip(path: Path, samples: NDArray[np.floating], rate: int = RATE) -> Clip:
    """Write a clip and return it."""
    soundfile.write(path, samples, rate, subtype="PCM_16")
    return read_clip(path)


@pytest.fixture(scope="session")
def scene() -> NDArray[np.float32]:
    """A minute and a half of talk, the same for every test: not to be changed."""
    samples = talk(90.0)
    samples.flags.writeable = False
    return samples
