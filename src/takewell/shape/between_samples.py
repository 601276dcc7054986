"""How high does the wave stand between the samples?

The limiter must never let a meter read above its ceiling, whichever honest meter that is. So it takes the
highest of three readings around every sample it has to judge:

- the samples themselves;
- the filter printed in ITU-R BS.1770-5, Annex 2 (order 48, four phases), ripple and all (its phases stray by
  -0.24 to +0.22 dB below 0.42 of the rate, so a meter built with it may read above the true wave);
- an 8x interpolation by a Kaiser-windowed sinc (32 taps a phase, beta 5), flat within 0.04 dB up to 0.45
  of the rate. Reading only every eighth of a sample misses at most -20 log10 cos(pi f / (8 rate)) = 0.136 dB
  of a tone at 0.45 of the rate (BS.1770-5, Annex 2, attachment 1).

Where the wave cannot reach a level is told by a bound that holds for every signal. Let P be the largest sample and D
the largest second difference ``|x[n-1] - 2 x[n] + x[n+1]|`` that a reading looks at. A reading's taps h are T times
a straight line between two samples plus the second difference of some g (their sum and first moment fix the line),
so it cannot exceed T P + G D with G the sum of ``|g|``; nor S P with S the sum of ``|h|``. A voice bends little from
sample to sample, so for it the first is hardly more than its largest sample.

Conventions: linear amplitudes, one channel, a reading at or after sample n and before n + 1 belongs to n.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F64 = NDArray[np.float64]

REACH = 16
"""Samples to each side of a position that any of the readings looks at."""

PHASES = 8
KAISER_BETA = 5.0

_PRINTED = (
    (0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
     0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500),
    (-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
     0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375),
)  # fmt: skip
"""Phases 0 and 1 of the filter of BS.1770-5, Annex 2; phases 3 and 2 are these two backwards."""


def _taps() -> F64:
    """Return every reading's taps over samples ``n - 15 ... n + 16``: one row a phase, 32 columns."""
    offsets = np.arange(-REACH + 1, REACH + 1)
    rows = []
    for phase in range(1, PHASES):
        x = offsets - phase / PHASES
        window = np.i0(KAISER_BETA * np.sqrt(np.clip(1 - (x / REACH) ** 2, 0, None))) / np.i0(KAISER_BETA)
        row = np.sinc(x) * window
        rows.append(row / row.sum())
    for printed in (*_PRINTED, *(phase[::-1] for phase in _PRINTED)):
        row = np.zeros(len(offsets))
        row[REACH - 6 : REACH + 6] = printed[::-1]  # its output stands between samples n and n + 1
        rows.append(row)
    return np.array(rows)


def _bounds(taps: F64) -> tuple[float, float, float]:
    """Return S, T and G with which no reading exceeds ``min(S P, T P + G D)`` (see the module's text)."""
    offsets = np.arange(-REACH + 1, REACH + 1)
    total = taps.sum(axis=1)
    place = taps @ offsets / total
    rest = taps.copy()
    rest[:, REACH - 1] -= total * (1 - place)
    rest[:, REACH] -= total * place
    # What is left has no sum and no first moment, so it is a second difference; summing twice finds of what.
    second = np.cumsum(np.cumsum(rest, axis=1), axis=1)
    straight = np.abs(total) * (np.abs(1 - place) + np.abs(place))
    return (
        float(np.abs(taps).sum(axis=1).max()),
        float(straight.max()),
        float(np.abs(second).sum(axis=1).max()),
    )


TAPS = _taps()

BY_PEAK, STRAIGHT, BY_CURVE = _bounds(TAPS)
"""S, T and G of the bound: 2.54 (8.1 dB), 1.002 and 0.57."""


SINC_TAPS = np.ascontiguousarray(TAPS[: PHASES - 1])
PRINTED_TAPS = np.ascontiguousarray(TAPS[PHASES - 1 :, REACH - 6 : REACH + 6])


TILE = 32
"""Samples read side by side, so that their sums vectorise."""


@njit(nogil=True, cache=True, fastmath={"contract", "nsz"})
def highest_readings(samples: F64, first: int, sinc_taps: F64, printed_taps: F64, out: F64) -> None:
    """Write into `out` the highest reading that belongs to each of the samples from `first` on.

    `samples` must reach from ``first - 15`` to ``first + len(out) + 15``. Each sample's sums are taken in the order of the
    taps, so its reading depends on nothing but the samples around it.
    """
    highest, total = np.empty(TILE), np.empty(TILE)
    for start in range(0, len(out), TILE):
        count = min(TILE, len(out) - start)
        at = first + start
        for i in range(count):
            highest[i] = abs(samples[at + i])
        _with_phases(samples[at - 15 : at + count + 16], sinc_taps, total[:count], highest[:count])
        _with_phases(samples[at - 5 : at + count + 6], printed_taps, total[:count], highest[:count])
        out[start : start + count] = highest[:count]


@njit(nogil=True, cache=True, fastmath={"contract", "nsz"})
def _with_phases(near: F64, taps: F64, total: F64, highest: F64) -> None:
    """Raise `highest` to the largest sum of any phase; taps come in fours."""
    count = len(total)
    for phase in range(taps.shape[0]):
        for i in range(count):
            total[i] = 0.0
        for tap in range(0, taps.shape[1], 4):
            a, b, c, d = taps[phase, tap], taps[phase, tap + 1], taps[phase, tap + 2], taps[phase, tap + 3]
            part = near[tap : tap + count + 3]
            for i in range(count):
                total[i] += a * part[i] + b * part[i + 1] + c * part[i + 2] + d * part[i + 3]
        for i in range(count):
            size = abs(total[i])
            highest[i] = size if size > highest[i] else highest[i]


def highest_reading(samples: F64) -> float:
    """Return the highest reading anywhere in a signal, with silence before and after it; 0 where it is empty.

    Parameters
    ----------
    samples : (n,) float array
        Finite.
    """
    if not len(samples):
        return 0.0
    padded = np.concatenate([np.zeros(2 * REACH), samples, np.zeros(2 * REACH)])
    readings = np.empty(len(samples) + 2 * REACH)
    highest_readings(padded, REACH, SINC_TAPS, PRINTED_TAPS, readings)
    return float(readings.max())
