"""Where do marked steps or samples form runs, and which runs belong together?

Conventions: runs are (start, end) index pairs, end exclusive, as an (r, 2) int64 array in order.
"""

import numpy as np
from numpy.typing import NDArray

Runs = NDArray[np.int64]

CLUSTER_GAP_S = 10.0
"""Events nearer than this are told as one finding; our choice, about the time it takes to wind back."""

MOST_CLUSTERS = 6
"""Findings of one kind a track may have before the gap is widened, so that a day still prints a page."""


def runs(marked: NDArray[np.bool_]) -> Runs:
    """Return the runs of true values of a (n,) array.

    Examples
    --------
    >>> runs(np.array([False, True, True, False, True])).tolist()
    [[1, 3], [4, 5]]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], marked, [False])).astype(np.int8)))
    return edges.reshape(-1, 2).astype(np.int64)


def merged(spans: Runs, gap: int) -> Runs:
    """Return the runs with neighbours joined whose distance is at most `gap`."""
    if len(spans) < 2:
        return spans
    apart = spans[1:, 0] - spans[:-1, 1] > gap
    first = np.concatenate(([True], apart))
    last = np.concatenate((apart, [True]))
    return np.stack((spans[first, 0], spans[last, 1]), axis=1)


def clusters(spans: Runs, rate: int) -> list[slice]:
    """Return slices of `spans` (in samples, in order) that are told as one finding each.

    Neighbours within `CLUSTER_GAP_S` go together; where that leaves more than `MOST_CLUSTERS`, the gap is
    doubled until it does not.
    """
    if len(spans) == 0:
        return []
    gaps_s = (spans[1:, 0] - spans[:-1, 1]) / rate
    gap_s = CLUSTER_GAP_S
    while np.count_nonzero(gaps_s > gap_s) >= MOST_CLUSTERS:
        gap_s *= 2
    cuts = (np.flatnonzero(gaps_s > gap_s) + 1).tolist()
    return [slice(a, b) for a, b in zip([0, *cuts], [*cuts, len(spans)], strict=True)]


def places(spans: Runs, rate: int, most: int = 20) -> str:
    """Return the starts of up to `most` events in seconds, for a finding's evidence."""
    listed = " ".join(f"{start / rate:.4f}" for start in spans[:most, 0].tolist())
    return listed if len(spans) <= most else f"{listed} …"
