"""How do a middle and a side microphone become left and right?

    L = M + S,  R = M - S   and back   M = (L + R) / 2,  S = (L - R) / 2   (common practice, no source)

A width w multiplies S: 0 is mono, 1 as recorded, above 1 wider. A sound that was on the left only then stands
``20 log10 |(1 - w) / (1 + w)|`` dB lower on the right.

Conventions: arrays (n, 2): middle and side, or left and right.
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


def decoder(width: float = 1.0) -> F64:
    """Return the matrix that turns (n, 2) of middle and side into left and right, rows in and columns out."""
    return np.array([[1.0, 1.0], [width, -width]])


def left_right(mid_side: NDArray[np.floating], width: float = 1.0) -> F64:
    """Return left and right of middle and side.

    Examples
    --------
    >>> left_right(np.array([[0.5, 0.25]])).tolist()
    [[0.75, 0.25]]
    """
    return np.asarray(mid_side @ decoder(width), np.float64)


def mid_side(left_right: NDArray[np.floating]) -> F64:
    """Return middle and side of left and right.

    Examples
    --------
    >>> mid_side(np.array([[0.75, 0.25]])).tolist()
    [[0.5, 0.25]]
    """
    return np.asarray(left_right @ decoder() / 2, np.float64)
