"""How does a sound get from a mouth to a microphone in a room, and what does the microphone hear besides?

Conventions: places are (x, y, z) in metres from a corner of a rectangular room; a response's unit is pascal at the
microphone's main axis per pascal at 1 m from the mouth, so its direct part is 1/r; arrays are (taps,) float32.

Model and sources
-----------------
Direct path and the six first reflections by image sources, each at its exact (fractional) delay; from the mixing
time on, noise that dies away exponentially, 60 dB in the reverberation time, twice as fast above 3 kHz. The
diffuse part's energy against the direct part at 1 m is 16 pi / A, with the absorption area A = 0.161 V / T
(Sabine), divided by the microphone's directivity factor (textbook room acoustics, from memory). Talkers radiate
alike in all directions. No air absorption, no furniture.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Place = tuple[float, float, float]

SPEED_OF_SOUND_M_S = 343.0
SINC_HALF_WIDTH_SAMPLES = 24
TAIL_SPLIT_HZ = 3000.0


@dataclass(frozen=True)
class Room:
    """A rectangular room: size, reverberation time, and the steady noise in it."""

    size_m: Place
    reverberation_s: float
    noise_db_spl: float
    """Unweighted, above the low cut of the recorder's inputs."""

    @property
    def volume_m3(self) -> float:
        """Length times width times height."""
        return math.prod(self.size_m)

    @property
    def absorption_m2(self) -> float:
        """Sabine's equivalent absorption area."""
        return 0.161 * self.volume_m3 / self.reverberation_s

    @property
    def wall_reflection(self) -> float:
        """Factor of the sound pressure at one reflection."""
        x, y, z = self.size_m
        return math.sqrt(max(1 - self.absorption_m2 / (2 * (x * y + y * z + z * x)), 0.0))


@dataclass(frozen=True)
class Microphone:
    """A microphone where it hangs, stands or is worn, and the gain of its input at the 0 dB setting."""

    name: str
    place_m: Place
    full_scale_db_spl: float
    """Sound pressure level on the main axis that reads 0 dBFS (AES17) at the 0 dB setting."""
    aim_m: Place | None = None
    """What it points at; None for one that hears all round."""
    omni_share: float = 1.0
    """a in a + (1 - a) cos(angle): 1 hears all round, 0.5 is a cardioid, 0.37 a supercardioid."""
    self_noise_db_spl: float = 18.0

    @property
    def directivity_factor(self) -> float:
        """On-axis power against the mean over all directions."""
        share = self.omni_share
        return 1 / (share**2 + (1 - share) ** 2 / 3)

    def sensitivity_towards(self, place_m: Place) -> float:
        """Return the factor for sound from `place_m`, 1 on the main axis; negative behind some patterns."""
        if self.aim_m is None:
            return 1.0
        axis = np.subtract(self.aim_m, self.place_m)
        towards = np.subtract(place_m, self.place_m)
        cosine = float(axis @ towards / (np.linalg.norm(axis) * np.linalg.norm(towards)))
        return self.omni_share + (1 - self.omni_share) * cosine


def distance_m(one: Place, other: Place) -> float:
    """Return the distance between two places."""
    return math.dist(one, other)


def response(
    room: Room, source_m: Place, microphone: Microphone, rate: int, taps: int, rng: np.random.Generator
) -> NDArray[np.float32]:
    """Return the room's response from a mouth to a microphone.

    Parameters
    ----------
    source_m : place
        Where the mouth is.
    rate, taps : int
        Sampling rate in Hz and length of the result; the tail is cut there.
    rng : numpy Generator
        Draws the tail; the same state gives the same room.

    Returns
    -------
    (taps,) float32 array
        Direct sound, six reflections and tail.
    """
    out = np.zeros(taps + 2 * SINC_HALF_WIDTH_SAMPLES)
    direct_m = distance_m(source_m, microphone.place_m)
    _add_arrival(out, direct_m, microphone.sensitivity_towards(source_m) / direct_m, rate)
    for axis in range(3):
        for wall_m in (0.0, room.size_m[axis]):
            image = list(source_m)
            image[axis] = 2 * wall_m - image[axis]
            place: Place = (image[0], image[1], image[2])
            path_m = distance_m(place, microphone.place_m)
            _add_arrival(
                out, path_m, room.wall_reflection * microphone.sensitivity_towards(place) / path_m, rate
            )
    out = out[SINC_HALF_WIDTH_SAMPLES : SINC_HALF_WIDTH_SAMPLES + taps]
    out += _tail(room, microphone, direct_m, rate, taps, rng)
    return out.astype(np.float32)


def _add_arrival(out: NDArray[np.float64], path_m: float, factor: float, rate: int) -> None:
    """Add one arrival to `out` in place, as a windowed sinc around its exact delay."""
    delay = path_m / SPEED_OF_SOUND_M_S * rate
    first = math.floor(delay) - SINC_HALF_WIDTH_SAMPLES + 1
    at = np.arange(first, first + 2 * SINC_HALF_WIDTH_SAMPLES)
    offset = at - delay
    window = np.cos(np.pi * offset / (2 * SINC_HALF_WIDTH_SAMPLES)) ** 2
    inside = at + SINC_HALF_WIDTH_SAMPLES < len(out)
    out[at[inside] + SINC_HALF_WIDTH_SAMPLES] += (factor * np.sinc(offset) * window)[inside]


def _tail(
    room: Room, microphone: Microphone, direct_m: float, rate: int, taps: int, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the diffuse part: from the mixing time (sqrt(V) ms, after the direct sound) on."""
    time_s = np.arange(taps) / rate
    noise = rng.standard_normal(taps)
    spectrum = np.fft.rfft(noise)
    low = np.fft.irfft(spectrum / (1 + (np.fft.rfftfreq(taps, 1 / rate) / TAIL_SPLIT_HZ) ** 2), taps)
    decay = math.log(1000) / room.reverberation_s
    tail = low * np.exp(-decay * time_s) + (noise - low) * np.exp(-2 * decay * time_s)
    wanted = 16 * math.pi / room.absorption_m2 / microphone.directivity_factor
    tail *= math.sqrt(wanted / float(np.sum(tail**2)))
    start_s = direct_m / SPEED_OF_SOUND_M_S + math.sqrt(room.volume_m3) / 1000
    rise = np.clip((time_s - start_s) / 0.002 + 1, 0, 1)
    return np.asarray(tail * rise)
