"""Simulated panels: recorded voices in a room, and what each of them gives each microphone.

Rooms are simulated by image sources (pyroomacoustics), four talkers take turns with pauses and overlaps, each wears a
lavalier; a boom and a spaced pair may hang over them. Microphones are spheres, as in the simulation's documentation; the
recorder adds its noise. Everything is drawn from a seed of its own.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pyroomacoustics as pra
from evaluation.corpus import rng_of
from evaluation.sources import RATE, Source, at_48k, decoded, files
from numpy.typing import NDArray
from scipy.signal import fftconvolve

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

VOICE_RMS = 10 ** (-26 / 20)
FLOOR_RMS = 10 ** (-75 / 20)
ROOM_M = (6.0, 5.0, 2.8)
MOST_CLIP_S = 5.0
LONGEST_RESPONSE_S = 0.6


@dataclass(frozen=True)
class Turn:
    """Somebody speaks, in samples."""

    talker: int
    start: int
    end: int


@dataclass(frozen=True)
class Panel:
    """What was simulated."""

    names: tuple[str, ...]
    """Of the microphones: the lavaliers in the order of the talkers, then the others."""
    parts: F32
    """(talkers, microphones, n): what each talker gives each microphone."""
    noise: F32
    """(microphones, n)."""
    turns: tuple[Turn, ...]
    delays: F64
    """(talkers, microphones): the way of the direct sound, in samples."""

    @property
    def samples(self) -> F32:
        """(n, microphones): what was recorded."""
        return np.ascontiguousarray((self.parts.sum(axis=0) + self.noise).T)


def panel(
    voices: tuple[Source, ...],
    salt: str,
    number: int,
    *,
    seconds: float = 60.0,
    others: bool = False,
    reverberation_s: float = 0.45,
    noisy_db: float = 0.0,
) -> Panel:
    """Return a panel of four talkers.

    Parameters
    ----------
    voices : tuple of Source
        One a talker.
    salt, number : str, int
        What it is drawn from.
    seconds, reverberation_s : float
    others : bool
        Whether a boom and a spaced pair hang there as well.
    noisy_db : float
        By how much the last lavalier's noise stands higher than the others'.
    """
    rng = rng_of("panel", salt, number)
    n = round(seconds * RATE)
    dry = np.zeros((4, n))
    turns: list[Turn] = []
    at, last = 0.5, -1
    while at < seconds - MOST_CLIP_S - 1:
        talker = int(rng.choice([k for k in range(4) if k != last]))
        clip = _clip(voices[talker], int(rng.integers(1 << 30)))[: int(MOST_CLIP_S * RATE)]
        start = int(at * RATE)
        dry[talker, start : start + len(clip)] += clip
        turns.append(Turn(talker, start, start + len(clip)))
        at, last = at + len(clip) / RATE + rng.uniform(-0.5, 0.8), talker
    mouths = np.array([[1.8 + 0.9 * k, 2.0 + 0.35 * (k in (1, 2)), 1.2] for k in range(4)])
    mouths += rng.uniform(-0.1, 0.1, mouths.shape)
    microphones = mouths + np.array([0, 0.05, -0.22])
    names = [f"Lav {k + 1}" for k in range(4)]
    if others:
        microphones = np.vstack([microphones, [3.15, 2.6, 2.1], [2.9, 4.2, 1.9], [3.4, 4.2, 1.9]])
        names += ["Boom", "Pair L", "Pair R"]
    absorption, _ = pra.inverse_sabine(reverberation_s, ROOM_M)
    room = pra.ShoeBox(ROOM_M, fs=RATE, materials=pra.Material(absorption), max_order=25, air_absorption=True)
    for mouth in mouths:
        room.add_source(mouth)
    room.add_microphone_array(microphones.T)
    room.compute_rir()
    parts = np.stack(
        [
            np.stack([fftconvolve(dry[k], room.rir[m][k][: int(LONGEST_RESPONSE_S * RATE)])[:n] for m in range(len(names))])
            for k in range(4)
        ]
    )  # fmt: skip
    level = np.array([FLOOR_RMS * (10 ** (noisy_db / 20) if m == 3 else 1.0) for m in range(len(names))])
    noise = level[:, None] * rng.standard_normal((len(names), n))
    # Each lavalier's gain is set by its own talker.
    for m in range(len(names)):
        own = parts[m, m] if m < 4 else parts[:, m].sum(axis=0)
        active = own[np.abs(own) > 1e-3 * np.abs(own).max()]
        parts[:, m] *= VOICE_RMS / np.sqrt(np.mean(active**2))
    ways = np.linalg.norm(mouths[:, None] - microphones[None], axis=2) / room.c * RATE
    return Panel(tuple(names), parts.astype(np.float32), noise.astype(np.float32), tuple(turns), ways)


@lru_cache(maxsize=200)
def _decoded(path: Path) -> F64:
    clip = at_48k(*decoded(path))
    return clip * (VOICE_RMS / max(float(clip.std()), 1e-9))


@lru_cache(maxsize=16)
def _long_files(source: Source) -> tuple[Path, ...]:
    """Return recordings of more than a second and a half; the longest third where there are few."""
    found = [path for path in files(source)[:400] if path.stat().st_size > 12_000]
    return tuple(found)


def _clip(source: Source, draw: int) -> F64:
    paths = _long_files(source)
    return _decoded(paths[draw % len(paths)])
