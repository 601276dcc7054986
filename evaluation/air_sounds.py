"""What do wind, rumble, knocks and popped consonants sound like, as stated models?

No recording of them with known places is free to be fetched, so they are made; what each model leaves out is said with it.
Sounds are (n,) float at 48 kHz; a level is that of an RMS against the speech's, over the loudest 100 ms of a push and over the
whole of anything longer.
"""

import numpy as np
from evaluation.sources import RATE
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

F64 = NDArray[np.float64]

LOW_CUT_HZ = 80.0
"""The low cut most recorders offer: second order."""


def low_cut(sound: F64) -> F64:
    """Return the sound behind the recorder's low cut."""
    return np.asarray(sosfilt(butter(2, LOW_CUT_HZ, "highpass", fs=RATE, output="sos"), sound))


def coloured(n: int, power: F64, rng: np.random.Generator) -> F64:
    """Return n samples of Gaussian noise with a power spectrum given on ``rfftfreq(n)``."""
    spectrum = np.fft.rfft(rng.standard_normal(n)) * np.sqrt(power)
    return np.asarray(np.fft.irfft(spectrum, n))


def rumble(seconds: float, way: str, rng: np.random.Generator) -> F64:
    """Return the drone of traffic or of air handling at RMS 1: steady but for a slow swell of up to 2 dB.

    Traffic through a wall: a broad hump between 25 and 80 Hz. Air handling: from 20 Hz on, falling by 9 dB an octave above 30. No
    single passing car, no tones of a fan.
    """
    n = round(seconds * RATE)
    hertz = np.maximum(np.fft.rfftfreq(n, 1 / RATE), 0.1)
    if way == "traffic":
        middle = rng.uniform(35, 60)
        power = np.exp(-((np.log2(hertz / middle) / 0.6) ** 2)) + 1e-3 / (1 + (hertz / 100) ** 3)
    else:
        power = 1 / (1 + (hertz / 30) ** 3) * (hertz > 20)
    sound = coloured(n, power, rng)
    t = np.arange(n) / RATE
    sound *= 10 ** (rng.uniform(0, 2) * np.sin(2 * np.pi * t / rng.uniform(8, 20) + rng.uniform(0, 6)) / 20)
    return np.asarray(sound / sound.std())


def gusts(seconds: float, rng: np.random.Generator) -> F64:
    """Return some seconds of wind at RMS 1: turbulence noise under a restless envelope.

    The spectrum is flat under 15 to 40 Hz and falls by 12 to 18 dB an octave above; the level, in decibels, wanders with a
    standard deviation of 6 dB and a memory of 0.3 to 0.8 s. No drops, no rattle of a shield, no direction.
    """
    n = round(seconds * RATE)
    hertz = np.fft.rfftfreq(n, 1 / RATE)
    corner, slope = rng.uniform(15, 40), rng.uniform(2, 3)
    sound = coloured(n, 1 / (1 + (hertz / corner) ** 2) ** slope * (hertz > 3), rng)
    steps = round(seconds * 100) + 2
    memory = np.exp(-0.01 / rng.uniform(0.3, 0.8))
    wander = np.zeros(steps)
    for k in range(1, steps):
        wander[k] = memory * wander[k - 1] + 6 * np.sqrt(1 - memory**2) * rng.standard_normal()
    at = np.arange(n) / RATE
    envelope = 10 ** (np.interp(at, np.arange(steps) / 100, wander) / 20)
    rise = np.clip(np.minimum(at, seconds - at) / 0.3, 0, 1)
    sound *= envelope * np.sin(rise * np.pi / 2) ** 2
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


def knock(rng: np.random.Generator) -> F64:
    """Return half a second of a knock on a stand: a push, three resonances of 30 to 180 Hz that ring for 10 to 50 ms, a click.

    Scraping, and the long ringing of a loose thread, are left out.
    """
    n = RATE // 2
    t = np.arange(n) / RATE
    sound = np.zeros(n)
    for hertz in rng.uniform(30, 180, 3) * [0.6, 1.0, 1.0]:
        ring = np.exp(-t / rng.uniform(0.01, 0.05)) * np.sin(2 * np.pi * hertz * t + rng.uniform(0, 6.3))
        sound += rng.uniform(0.3, 1) * ring
    push = rng.uniform(0.02, 0.05)
    sound += np.where(t < push, np.sin(np.pi * t / push), 0) * rng.choice((-1, 1)) * rng.uniform(0.5, 1)
    click = rng.standard_normal(n) * np.exp(-t / 0.002)
    sound += 0.3 * click
    return sound * np.clip(t / 0.002, 0, 1)


def puff(rng: np.random.Generator) -> F64:
    """Return 0.3 s of the breath of a popped consonant: one and a half swings of 15 to 40 Hz in turbulence below 200 Hz.

    Shaped after pops that recorded voices of the tuned set have.
    """
    n = round(0.3 * RATE)
    t = np.arange(n) / RATE
    hertz, decay = rng.uniform(15, 40), rng.uniform(0.02, 0.04)
    swing = np.sin(2 * np.pi * hertz * t) * np.exp(-t / decay) * rng.choice((-1, 1))
    rough = sosfilt(butter(2, 200, fs=RATE, output="sos"), rng.standard_normal(n)) * np.exp(-t / decay)
    sound = swing + rng.uniform(0.2, 0.5) * rough / rough.std() * 0.3
    return sound * np.clip(t / 0.004, 0, 1)


def loudest(sound: F64, seconds: float = 0.1) -> float:
    """Return the RMS of the loudest stretch of that length."""
    n = min(round(seconds * RATE), len(sound))
    sums = np.concatenate(([0.0], np.cumsum(sound**2)))
    return float(np.sqrt((sums[n:] - sums[:-n]).max() / n))
