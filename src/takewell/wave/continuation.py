"""Do the bytes behind a file's audio continue it?

A recorder that writes its header every few seconds and then loses power leaves audio behind the place where the
header says it ends. Other bytes can lie there too: what a repair program padded with, or what the card held
before. Common practice, no source; the thresholds below are ours, chosen so that noise of full scale (random
bytes read as integers), text, zeros and floats of no meaning are refused, and are told to the user as a
recovery whenever they decide for audio.
"""

import numpy as np

from takewell.wave.decode import Samples

LEAST_SECONDS = 0.5
"""Shorter remains are not worth a guess."""
LOOK_SECONDS = 0.25
"""How much on either side of the join is compared."""

_LOUDEST_MEAN = 0.25
"""Mean of absolute samples (full scale 1) of loud programme stays below; random integers have 0.5, text more."""
_LARGEST_STEP_UP = 8.0
"""The step across the join against the largest step beside it."""
_WIDEST_CHANGE = 300.0
"""Ratio of the mean steps on both sides: a voice begins 50 dB above the floor."""


def continues(before: Samples, behind: Samples) -> bool:
    """Return whether `behind`, (n, channels), sounds like what comes right after `before`, (m, channels)."""
    if len(before) < 2 or len(behind) < 2 or not (np.isfinite(before).all() and np.isfinite(behind).all()):
        return False
    steps_before = np.abs(np.diff(before, axis=0))
    steps_behind = np.abs(np.diff(behind, axis=0))
    mean_before, mean_behind = steps_before.mean(axis=0), steps_behind.mean(axis=0)
    sounding = (mean_before > 0) | (mean_behind > 0)
    if not sounding.any() or (np.minimum(mean_before, mean_behind)[sounding] == 0).any():
        return False
    loudness = np.abs(behind).mean(axis=0)
    limit = np.maximum(_LOUDEST_MEAN, 2 * np.abs(before).mean(axis=0))
    join = np.abs(behind[0].astype(np.float64) - before[-1])
    largest = np.maximum(steps_before.max(axis=0), steps_behind.max(axis=0))
    ratio = mean_behind[sounding] / mean_before[sounding]
    return bool(
        (loudness <= limit).all()
        and (join <= _LARGEST_STEP_UP * largest).all()
        and ((ratio < _WIDEST_CHANGE) & (ratio > 1 / _WIDEST_CHANGE)).all()
    )
