"""Is this array sound that can be measured?

Convention of the room: `samples` is (n, channels) float, linear, 1.0 = digital full scale, also for one channel.
"""

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SignalError


def checked(samples: NDArray[np.floating], *, at_least: int = 1) -> NDArray[np.float64]:
    """Return the samples as float64; refuse what cannot be measured.

    Parameters
    ----------
    samples : (n, channels) float array
        Not changed.
    at_least : int
        Fewest samples per channel accepted.

    Raises
    ------
    SignalError
        If the array is not two-dimensional float, has no channel, is too short, or holds NaN or infinity (the
        message names the first one's channel, counted from 1, and sample, counted from 0).
    """
    if samples.ndim != 2 or not np.issubdtype(samples.dtype, np.floating):
        raise SignalError(
            f"an array of shape {samples.shape} and type {samples.dtype} is not sound; (n, channels) float is accepted"
        )
    length, channels = samples.shape
    if not channels or length < at_least:
        raise SignalError(
            f"{length} samples of {channels} channels are too short; "
            f"{at_least} samples of at least one channel are accepted"
        )
    bad = ~np.isfinite(samples)
    if bad.any():
        sample, channel = np.argwhere(bad)[0]
        raise SignalError(
            f"channel {channel + 1} is not finite at sample {sample}; only finite samples are accepted"
        )
    return samples.astype(np.float64)


def checked_rate(rate: float, lowest: float, purpose: str) -> None:
    """Refuse a sampling rate below `lowest` Hz; `purpose` completes the sentence "too low to ...".

    Raises
    ------
    SignalError
        If the rate is not a finite number of at least `lowest`.
    """
    if not (np.isfinite(rate) and rate >= lowest):
        raise SignalError(
            f"a sampling rate of {rate} Hz is too low to {purpose}; {lowest:g} Hz or more is accepted"
        )
