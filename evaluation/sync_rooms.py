"""Two devices hear one conversation in a room: what does each record, and how do the two really lie to each other?

Voices are those of `evaluation.sources`, dry; rooms are shoe boxes by pyroomacoustics (image sources). Each device has its place, its own noise, its own clock and its own moment of beginning. Both clocks
are made by resampling (soxr, very high quality), so a drift is exact and an offset falls between samples.

With `S` the true moment a device begins, `d` its distance, `e` its clock's error: its sample at the time ``t`` of its own clock
holds what left the mouth at ``S + t / (1 + e) - d / c``. So at the recording's first sample the clip's clock reads
``(S_r - S_c + (d_c - d_r) / c) (1 + e_c)``, and the recording drifts by ``(1 + e_r) / (1 + e_c) - 1``.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyroomacoustics
import soxr
from evaluation.sources import RATE, Source, at_48k, decoded, files
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq
from scipy.signal import oaconvolve

F64 = NDArray[np.float64]

SOUND_M_S = 343.0
"""What pyroomacoustics reckons with at its default 20 °C (its own constant)."""

POOL = 400
ACTIVE_SHARE = 0.2
"""Levels of voices are those of their loudest fifth, so that pauses do not count into a signal-to-noise ratio."""


@dataclass(frozen=True)
class Device:
    """Where a device stands, when it begins and how its clock runs."""

    distance_m: float
    begins_s: float
    error_ppm: float
    length_s: float


@dataclass(frozen=True)
class Meeting:
    """What two devices recorded, and the truth about them."""

    recording: NDArray[np.float32]
    clip: NDArray[np.float32]
    offset_s: float
    drift_ppm: float


@lru_cache(maxsize=2 * POOL)
def _dry(path: Path) -> NDArray[np.float32]:
    return at_48k(*decoded(path)).astype(np.float32)


def conversation(sources: Sequence[Source], seconds: float, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return dry speech of one or more voices in turn, with pauses as people make them."""
    # Everybody speaks a little faster or slower each time: a sentence that comes up twice is then not the same sound.
    pace = rng.uniform(0.9, 1.12)
    pools = [files(source)[:: -(-len(files(source)) // POOL)] for source in sources]
    whole = np.zeros(round(seconds * RATE), np.float32)
    at = round(rng.uniform(0, 0.5) * RATE)
    voice = 0
    while at < len(whole):
        if rng.uniform() < 0.3:
            voice = int(rng.integers(len(pools)))
        said = _dry(pools[voice][int(rng.integers(len(pools[voice])))])[: len(whole) - at]
        said = soxr.resample(said, RATE, RATE * pace * rng.uniform(0.99, 1.01))[: len(whole) - at]
        if len(said) < RATE // 4 or not said.any():
            at += RATE // 10
            continue
        whole[at : at + len(said)] += said / np.sqrt(np.mean(said**2)) * 0.05
        at += len(said) + round(rng.uniform(0.15, 1.2) * RATE)
    return whole


@lru_cache(maxsize=64)
def responses(seed: int, rt60_s: float, distances_m: tuple[float, float]) -> tuple[F64, F64]:
    """Return the room's responses at two distances from one mouth."""
    rng = np.random.default_rng(seed)
    size = rng.uniform((4.0, 3.2, 2.4), (9.0, 7.0, 3.6))
    absorption, _ = pyroomacoustics.inverse_sabine(rt60_s, size)
    room = pyroomacoustics.ShoeBox(
        size, fs=RATE, materials=pyroomacoustics.Material(absorption), max_order=17
    )
    mouth = np.array([size[0] * 0.5, size[1] * 0.5, 1.3]) + rng.uniform(-0.3, 0.3, 3)
    room.add_source(mouth)
    places = []
    for distance in distances_m:
        for _ in range(1000):
            towards = rng.standard_normal(3) * (1, 1, 0.25)
            place = mouth + distance * towards / np.linalg.norm(towards)
            if np.all(place > 0.2) and np.all(place < size - 0.2):
                break
        else:
            raise ValueError(f"no place {distance} m away in a room of {size}")
        places.append(place)
    room.add_microphone(np.array(places).T)
    room.compute_rir()
    near, far = (np.asarray(room.rir[m][0]) for m in range(2))
    return near, far


def noise(n: int, rng: np.random.Generator) -> NDArray[np.float32]:
    """Return noise of a place: falling by 4.5 dB an octave above 80 Hz, of unit mean square."""
    block = min(1 << 20, next_fast_len(n, real=True))
    hertz = rfftfreq(block, 1 / RATE)
    shape = (np.maximum(hertz, 80.0) ** -0.75 * (hertz > 30)).astype(np.float32)
    parts = []
    for start in range(0, n, block):
        part = irfft(rfft(rng.standard_normal(block, dtype=np.float32)) * shape, block)
        parts.append(np.asarray(part / part.std(), np.float32)[: n - start])
    return np.concatenate(parts)


def active_rms(sound: NDArray[np.float32]) -> float:
    """Return the RMS of a sound's loudest fifth."""
    frames = sound[: len(sound) // 960 * 960].reshape(-1, 960)
    power = np.sort(np.mean(frames.astype(np.float64) ** 2, axis=1))
    return float(np.sqrt(np.mean(power[int(len(power) * (1 - ACTIVE_SHARE)) :])))


def heard(dry: NDArray[np.float32], response: F64, device: Device) -> NDArray[np.float32]:
    """Return what a device records of a conversation that begins at the true time 0, without noise."""
    wet = oaconvolve(dry, response.astype(np.float32))
    first = int(device.begins_s * RATE)
    # The fraction of a sample that the device begins later is left in the truth, not in the sound: see `meet`.
    length = round(device.length_s * RATE)
    need = first + int(length / (1 + device.error_ppm * 1e-6)) + 2000
    own = wet[first:need]
    if device.error_ppm:
        own = soxr.resample(own, RATE, RATE * (1 + device.error_ppm * 1e-6), quality="VHQ")
    out = np.zeros(length, np.float32)
    out[: min(length, len(own))] = own[:length]
    return out


def with_noise(
    sound: NDArray[np.float32], level: float, snr_db: float, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return a recording with noise of a place `snr_db` under a level, at some gain, below full scale."""
    out = sound + noise(len(sound), rng) * np.float32(max(level, 1e-3) * 10 ** (-snr_db / 20))
    return np.asarray(out * np.float32(rng.uniform(0.02, 0.9) / max(float(np.abs(out).max()), 1e-9)))


def meet(
    sources: Sequence[Source],
    recording: Device,
    clip: Device,
    rng: np.random.Generator,
    *,
    rt60_s: float = 0.4,
    room_seed: int = 0,
) -> Meeting:
    """Return what two devices hear of one conversation, without noise, and the truth."""
    seconds = max(d.begins_s + d.length_s for d in (recording, clip)) + 1
    dry = conversation(sources, seconds, rng)
    near, far = responses(room_seed, rt60_s, (recording.distance_m, clip.distance_m))
    whole = [int(d.begins_s * RATE) / RATE for d in (recording, clip)]
    e_r, e_c = recording.error_ppm * 1e-6, clip.error_ppm * 1e-6
    later_s = (clip.distance_m - recording.distance_m) / SOUND_M_S
    return Meeting(
        heard(dry, near, recording),
        heard(dry, far, clip),
        (whole[0] - whole[1] + later_s) * (1 + e_c),
        ((1 + e_r) / (1 + e_c) - 1) * 1e6,
    )
