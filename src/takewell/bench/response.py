"""How even is the gain over frequency, and does a channel lag or stand upside down?

Method: the sweep of the programme is computed at the recorder's own sample times; the power of its spectrum and that of the
recording's are summed over twelfths of an octave and divided. Powers do not mind a filter's delay. AES17-2015, 6.2.3:
20 dB under full scale, relative to 997 Hz.
"""

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len, rfft

from takewell.bench.programme import SWEEP_HZ, TONE_HZ, Section
from takewell.measure.correlation import Delay, delay
from takewell.units import power_decibels

F64 = NDArray[np.float64]

BAND_OCTAVES = 1 / 12
POINTS_HZ = tuple(1000 * 10 ** (n / 20) for n in range(-34, 27))
"""Sixths of an octave from 20 Hz to 20 kHz (IEC 61260-1:2014, base ten)."""

DELAY_BAND_HZ = (100.0, 18_000.0)
LONGEST_DELAY_S = 0.02


def frequency_response(
    section: Section, times: F64, samples: F64, rate: int, stretch: float
) -> tuple[F64, F64, float]:
    """Return (frequency Hz, response dB re 997 Hz, gain at 997 Hz in dB) of a channel.

    Parameters
    ----------
    section : Section
        The sweep.
    times : (n,) float64 array
        Seconds since its start by the player's clock; all of the sweep and a little more.
    samples : (n,) float64 array
    rate : int
    stretch : float
        Recorder's clock over player's.
    """
    size = next_fast_len(len(samples), real=True)
    reference = section.wave(times)
    player = np.abs(rfft(reference, size)) ** 2
    power = np.abs(rfft(samples, size)) ** 2
    frequency = np.arange(len(player)) * rate * stretch / size
    points = np.array([p for p in POINTS_HZ if p < 0.45 * rate and p < SWEEP_HZ[1] / 1.05])

    def gain(middle_hz: float) -> float:
        low, high = middle_hz * 2 ** (-BAND_OCTAVES / 2), middle_hz * 2 ** (BAND_OCTAVES / 2)
        inside = slice(*np.searchsorted(frequency, [low, high]))
        return float(power_decibels(power[inside].sum() / player[inside].sum()))

    at_reference = gain(TONE_HZ)
    return points, np.array([gain(p) for p in points]) - at_reference, at_reference


def channel_delay(first: F64, other: F64, rate: int) -> Delay | None:
    """Return how another channel of the sweep lies to the first (Knapp and Carter, 1976)."""
    return delay(first, other, rate, longest_s=LONGEST_DELAY_S, band_hz=DELAY_BAND_HZ)
