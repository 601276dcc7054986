"""How does one track hand over to another without a dip or a swell?

Two tracks that hold the same sound add up by amplitude, two that hold nothing in common by power. With r the
correlation of what they hold while they change over (lined up, same polarity), gains a and b keep the power if

    a^2 + b^2 + 2 r a b = 1.

The path is taken by amplitude, ``b : a = x : 1 - x``, and scaled to fulfil that: straight lines for r = 1, and for r = 0 the
constant-power law (M. Fink, M. Holters and U. Zölzer, "Signal-matched power-complementary cross-fading and dry-wet mixing", DAFx 2016).

Conventions: x from 0 (the first track alone) to 1 (the second alone).
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


def cross_fade(part: F64, correlation: float) -> tuple[F64, F64]:
    """Return the amplitude gains of the first and the second track at each part of the way.

    Parameters
    ----------
    part : (n,) float array
        From 0 to 1.
    correlation : float
        From 0 to 1; less than nothing counts as nothing.

    Examples
    --------
    Half-way: 3 dB down for strangers, 6 dB for twins.

    >>> [round(float(cross_fade(np.array([0.5]), r)[0][0]), 3) for r in (0.0, 1.0)]
    [0.707, 0.5]
    """
    shared = min(max(correlation, 0.0), 1.0)
    first, second = 1.0 - part, part
    scale = 1.0 / np.sqrt(first**2 + second**2 + 2 * shared * first * second)
    return first * scale, second * scale
