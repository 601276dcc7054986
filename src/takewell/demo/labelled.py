"""Speech with known labels, for trying out whatever measures or decides: where is talk, how loud, over which floor?

Conventions: (n, 1) float64, 1.0 = full scale; levels are AES17 dBFS; times are seconds from the first sample.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from takewell.demo.dialogue import dialogue
from takewell.demo.noise import NOISE_TAPS, room_noise_filter, white
from takewell.demo.room import Microphone, Room, response
from takewell.demo.speech import CLIP_LEVEL_DBFS
from takewell.units import SINE_CREST_DB, amplitude


@dataclass(frozen=True)
class Labelled:
    """A track and what is true of it."""

    samples: NDArray[np.float64]
    """(n, 1)."""
    rate: int
    talk_s: tuple[tuple[float, float], ...]
    """When sentences are spoken; their inner silences included."""
    speech_dbfs: float
    """Level of the speech alone, all silences left out."""
    floor_dbfs: float
    """Level of the noise alone."""
    dry: NDArray[np.float64]
    """(n, 1): the speech without the noise."""


def labelled_speech(
    length_s: float,
    *,
    voice: str = "mira",
    effort: str = "normal",
    speech_dbfs: float = -26.0,
    floor_dbfs: float = -70.0,
    pause_s: tuple[float, float] = (0.5, 1.5),
    room: Room | None = None,
    distance_m: float = 0.5,
    rate: int = 48_000,
    seed: int = 0,
) -> Labelled:
    """Return one voice over steady room noise, dry or heard in a room.

    Parameters
    ----------
    length_s : float
        Length of the whole; the first and last second are free of speech.
    voice : str
        One of ``voices()``.
    effort : {"normal", "shout"}
        Shouts exist for mira and tobin.
    speech_dbfs, floor_dbfs : float
        AES17 levels of speech (its silences left out, before the room) and of the noise; ``-inf`` for none.
    pause_s : (float, float)
        Range of the pauses between sentences.
    room : Room, optional
        Adds reflections and tail for a microphone that hears all round, `distance_m` away; the direct sound stays
        at `speech_dbfs`. The room's own noise figure is not used.
    rate : int
        Sampling rate in Hz.
    seed : int
        Draws sentences, pauses, levels and noise.

    Examples
    --------
    >>> speech = labelled_speech(10, floor_dbfs=-60, seed=1)
    >>> speech.samples.shape, len(speech.talk_s)
    ((480000, 1), 2)
    """
    from scipy.signal import oaconvolve

    rng = np.random.default_rng(seed)
    length = round(length_s * rate)
    part = voice if effort == "normal" else f"{voice}!"
    said = dialogue((), (part,), length, rate, rng, first_s=1.0, last_s=1.0, pause_s=pause_s)
    dry = np.zeros(length)
    for utterance in said:
        dry[utterance.start_samples : utterance.end_samples] += utterance.clip.samples
    dry *= amplitude(speech_dbfs - CLIP_LEVEL_DBFS)
    if room is not None:
        dry = _heard(dry, room, distance_m, rate, rng)
    noise = oaconvolve(white(length + NOISE_TAPS - 1, rng), room_noise_filter(rate), mode="valid")
    noise = noise * amplitude(floor_dbfs - SINE_CREST_DB)
    return Labelled(
        samples=(dry + noise)[:, None],
        rate=rate,
        talk_s=tuple((u.start_samples / rate, u.end_samples / rate) for u in said),
        speech_dbfs=speech_dbfs,
        floor_dbfs=floor_dbfs,
        dry=dry[:, None],
    )


def _heard(
    dry: NDArray[np.float64], room: Room, distance_m: float, rate: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the speech as a microphone hears it that stands `distance_m` from the mouth, direct sound at gain 1."""
    from scipy.signal import oaconvolve

    x, y, z = room.size_m
    mouth = (x / 3, y / 3, z / 2)
    microphone = Microphone("", (mouth[0] + distance_m, mouth[1], mouth[2]), 0.0)
    taps = response(room, mouth, microphone, rate, round(room.reverberation_s * rate), rng)
    return np.asarray(oaconvolve(dry, taps.astype(np.float64) * distance_m)[: len(dry)])
