"""How much of the mix does each open microphone get?

Gain sharing, as published for automatic microphone mixing: each microphone's gain in decibels is its level less
the level of all of them together,

    g_i = L_i - 10 log10( sum over j of 10^(L_j / 10) ),

so the power gains always add up to one, as if a single microphone were open (10 log10 N for N that are equally
loud): no thresholds, no gates, and the noise of the room stays where it was. A weight in decibels is added to L_i.

Where the levels come from: the K-weighted mean squares (ITU-R BS.1770-5) of 10 ms steps, after the track's moves.
K-weighting keeps rumble below 40 Hz from opening a microphone. In order:

1. the median of three steps (a single step that straddles a moved gain says nothing);
2. the mean over `WINDOW_STEPS` steps around (50 ms: the ear's own time for loudness of speech is longer, and an
   open microphone 20 ms early costs nothing);
3. falling no faster than the release, so a syllable's end does not hand the mix to the noise;
4. the law above;
5. where nobody speaks (all microphones together less than `OPEN_DB` over the sum of their floors; a floor is what
   a tenth of its steps lie below) the shares of the last step with speech stand: the last open microphone stays open;
6. the mean over `WINDOW_STEPS` steps again, so that no gain jumps. A mean of shares that add up to one adds up to one.

Conventions: (steps, tracks) arrays of power; shares are power gains.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from takewell.measure.loudness import window_powers
from takewell.units import FINE_STEPS_PER_SECOND

F64 = NDArray[np.float64]

WINDOW_STEPS = 5
OPEN_DB = 6.0
FLOOR_PERCENTILE = 10


def law(power: F64) -> F64:
    """Return the power gains of gain sharing: each power over the sum of its row; equal parts where all are zero.

    Parameters
    ----------
    power : (steps, tracks) float array
        Weighted already; not negative.

    Returns
    -------
    (steps, tracks) float64 array
        Rows add up to one.

    Examples
    --------
    Two equally loud microphones get 3 dB less each.

    >>> (10 * np.log10(law(np.array([[1.0, 1.0]])))).round(2).tolist()
    [[-3.01, -3.01]]
    """
    total = power.sum(axis=1, keepdims=True)
    shares = np.full(power.shape, 1.0 / power.shape[1])
    np.divide(power, total, out=shares, where=total > 0)
    return shares


def shares_over_time(power: F64, weights_db: F64, *, release_db_per_s: float, hold: bool) -> F64:
    """Return each track's share at every 10 ms step, as the module says.

    Parameters
    ----------
    power : (steps, tracks) float array
        K-weighted mean squares after the tracks' moves.
    weights_db : (tracks,) float array
    release_db_per_s : float
    hold : bool

    Returns
    -------
    (steps, tracks) float64 array
        Power gains; rows add up to one.
    """
    if not len(power):
        return np.zeros(power.shape)
    calm = median_filter(power, size=(3, 1), mode="nearest")
    level = _mean_around(calm)
    released = _released(level, 10 ** (-release_db_per_s / FINE_STEPS_PER_SECOND / 10))
    shares = law(released * 10 ** (weights_db / 10))
    if hold:
        floor = np.percentile(level, FLOOR_PERCENTILE, axis=0).sum()
        shares = _held(shares, level.sum(axis=1) > floor * 10 ** (OPEN_DB / 10))
    return _mean_around(shares)


def _mean_around(values: F64) -> F64:
    """Return the mean over `WINDOW_STEPS` steps around each, the ends repeated; only sums of what is positive."""
    reach = WINDOW_STEPS // 2
    padded = np.pad(values, ((reach, reach), (0, 0)), mode="edge")
    return window_powers(padded, np.ones(len(padded), np.int64), WINDOW_STEPS)


@njit(nogil=True, cache=True)
def _released(level: F64, keep: float) -> F64:
    """Return levels that fall by no more than the factor `keep` from one step to the next."""
    out = level.copy()
    for step in range(1, len(out)):
        for track in range(out.shape[1]):
            out[step, track] = max(out[step, track], out[step - 1, track] * keep)
    return out


def _held(shares: F64, spoken: NDArray[np.bool_]) -> F64:
    """Return shares with those of the last step with speech where there is none; before the first, those of the first."""
    if not spoken.any():
        return np.tile(shares.mean(axis=0), (len(shares), 1))
    last = np.maximum.accumulate(np.where(spoken, np.arange(len(shares)), 0))
    last[: int(np.argmax(spoken))] = int(np.argmax(spoken))
    return np.asarray(shares[last])
