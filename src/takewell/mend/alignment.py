"""How exactly does a twin lie to a track: how much later, to a small part of a sample, and at which gain?

Least squares by Gauss and Newton: with b the twin read at the delay assumed so far and b' its change with the delay,
``a ~ g b + h b'`` gives the gain g and corrects the delay by h / g; a few rounds end at the delay and gain that
leave least. An error of t samples leaves ``2 pi f t / rate`` of a tone, so -60 dB at 1 kHz and 48 kHz asks for
0.008 samples; noise of -40 dB in half a second of speech leaves an error below 0.001.

Conventions: delays in samples of the track's rate; the twin is read through a function of (start, count).
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from takewell.mend.values import Fit
from takewell.shape.placed import placed
from takewell.units import decibels

F64 = NDArray[np.float64]
Read = Callable[[int, int], F64]
"""Returns (count,) samples from a position on; zeros outside the track."""

ROUNDS = 6
MARGIN = 64
"""Samples read beside a stretch, so that delays may move within it."""

SMALL = 0.05
"""Delay, in samples, over which the change of the twin is taken."""

FURTHEST = 20.0
"""Samples that the delay may move away from the one assumed."""

ONE_CLOCK = 0.02
"""A delay this near to whole samples on one clock is whole: files of one recorder differ by nothing else."""


def fit(
    track: F64,
    read_twin: Read,
    start: int,
    delay: float,
    step: float = 1.0,
    usable: NDArray[np.bool_] | None = None,
) -> Fit | None:
    """Return how a twin lies to a stretch of a track, None where it does not fit it at all.

    Parameters
    ----------
    track : (n,) float64 array
        The stretch, from sample `start` of its take. Finite.
    read_twin : callable
        Reads the twin by its own samples.
    start : int
    delay : float
        Assumed: sample n of the track lies at ``step * n + delay`` of the twin.
    step : float
        Samples of the twin per sample of the track.
    usable : (n,) bool array, optional
        Samples of the track that are whole.
    """
    whole = np.ones(len(track), bool) if usable is None else usable
    a = track[whole]
    power = float(np.dot(a, a))
    first = int(np.floor(step * start + delay)) - MARGIN
    twin = read_twin(first, int(np.ceil(step * len(track))) + 2 * MARGIN)
    if power <= 0 or not twin.any():
        return None
    at, gain = delay, 0.0
    for _ in range(ROUNDS):
        begin = step * start + at - first
        b = placed(twin, begin, step, len(track))[whole]
        slope = (
            placed(twin, begin + SMALL, step, len(track)) - placed(twin, begin - SMALL, step, len(track))
        )[whole] / (2 * SMALL)
        gain, change = _solved(a, b, slope)
        if gain == 0:
            return None
        moved = float(np.clip(change / gain, -1.0, 1.0))
        at += moved
        if abs(at - delay) > FURTHEST:
            return None
        if abs(moved) < 1e-5:
            break
    b = placed(twin, step * start + at - first, step, len(track))[whole]
    gain = float(np.dot(a, b) / np.dot(b, b))
    rest = a - gain * b
    left = float(np.sqrt(np.dot(rest, rest) / power))
    return Fit(start + len(track) // 2, at, float(decibels(gain)), float(decibels(left)))


def _solved(a: F64, b: F64, slope: F64) -> tuple[float, float]:
    """Return (g, h) of the least-squares fit ``a ~ g b + h slope``."""
    bb, bs, ss = float(np.dot(b, b)), float(np.dot(b, slope)), float(np.dot(slope, slope))
    determinant = bb * ss - bs * bs
    if determinant <= 1e-12 * bb * ss or bb == 0:
        return (0.0 if bb == 0 else float(np.dot(a, b)) / bb), 0.0
    ab, as_ = float(np.dot(a, b)), float(np.dot(a, slope))
    return (ab * ss - as_ * bs) / determinant, (as_ * bb - ab * bs) / determinant
