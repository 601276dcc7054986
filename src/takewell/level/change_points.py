"""Where does a row of levels change, if changes cost something: by a step, or slowly?

Penalised least squares, solved exactly: the segmentation that makes

    sum over segments of  cost(segment)  +  penalty * (number of changes)

smallest, where a segment costs the smaller of

    steady   sum_i w_i (x_i - mean)^2 / variance
    slope    sum_i w_i (x_i - line)^2 / variance  +  slope_cost

and the line is the best one that is no steeper than allowed (least squares; the sum is a parabola of the slope, so
the best slope within bounds is the best one held at the bounds). Found by dynamic programming with pruning (Killick,
Fearnhead, Eckley, "Optimal detection of changepoints with a linear computational cost", J. Am. Stat. Assoc. 107
(2012), 1590-1598). A start that can never again be best is dropped, which makes the expected cost linear in the number
of values as long as changes keep coming. Their condition, that cutting a segment in two raises its cost by no more than a
constant K, holds with K = slope_cost: both halves of a line are lines.

Conventions: values in decibels, weights in seconds of speech, places in seconds.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@dataclass(frozen=True)
class Segment:
    """Values from `first` up to, not including, `stop`; they are steady where `slope` (a second) is 0."""

    first: int
    stop: int
    slope: float = 0.0


def segments(
    values: F64,
    weights: F64,
    places: F64,
    *,
    variance: float,
    penalty: float,
    slope_cost: float = 0.0,
    steepest: float = 0.0,
) -> list[Segment]:
    """Return the segments, in order and without gaps; none where there are no values.

    Parameters
    ----------
    values : (n,) float array
    weights : (n,) float array
        Positive.
    places : (n,) float array
        Rising.
    variance : float
        Of a value of weight one around its segment's mean or line.
    penalty : float
        What one change costs, in units of the first sum.
    slope_cost : float
        What a slope costs over a steady segment, in the same units.
    steepest : float
        The steepest slope either way; 0 leaves only steady segments.
    """
    n = len(values)
    sums = _Sums(values, weights, places, variance, slope_cost, steepest)
    best = np.empty(n + 1)
    best[0] = -penalty
    came_from = np.zeros(n + 1, np.int64)
    candidates = np.zeros(1, np.int64)
    pruned_over = slope_cost if steepest else 0.0
    for stop in range(1, n + 1):
        without_penalty = best[candidates] + sums.costs(candidates, stop)
        winner = int(np.argmin(without_penalty))
        best[stop] = without_penalty[winner] + penalty
        came_from[stop] = candidates[winner]
        candidates = np.append(candidates[without_penalty <= best[stop] + pruned_over], stop)
    found = []
    stop = n
    while stop > 0:
        first = int(came_from[stop])
        found.append(Segment(first, stop, sums.slope(first, stop)))
        stop = first
    return found[::-1]


class _Sums:
    """Running sums that give the cost of any segment at once."""

    def __init__(
        self, values: F64, weights: F64, places: F64, variance: float, slope_cost: float, steepest: float
    ) -> None:
        # Around their middles, so that differences of sums keep their digits.
        x = values - (values.mean() if len(values) else 0.0)
        t = places - (places.mean() if len(places) else 0.0)
        self._w, self._x, self._t, self._xx, self._xt, self._tt = (
            np.concatenate([[0.0], np.cumsum(weights * row)]) for row in (np.ones_like(x), x, t, x * x, x * t, t * t)
        )  # fmt: skip
        self._variance, self._slope_cost, self._steepest = variance, slope_cost, steepest

    def costs(self, firsts: I64, stop: int) -> F64:
        """Return what the segments from each of `firsts` to `stop` cost."""
        steady, sloping, _ = self._fits(firsts, stop)
        return np.minimum(steady, sloping)

    def slope(self, first: int, stop: int) -> float:
        """Return the slope of a segment, 0 where steady is no dearer."""
        steady, sloping, slope = self._fits(np.array([first]), stop)
        return float(slope[0]) if sloping[0] < steady[0] else 0.0

    def _fits(self, firsts: I64, stop: int) -> tuple[F64, F64, F64]:
        w, x, t = (row[stop] - row[firsts] for row in (self._w, self._x, self._t))
        steady = np.maximum(self._xx[stop] - self._xx[firsts] - x * x / w, 0.0)
        if not self._steepest:
            return steady / self._variance, np.full(len(firsts), np.inf), np.zeros(len(firsts))
        both = self._xt[stop] - self._xt[firsts] - x * t / w
        spread = np.maximum(self._tt[stop] - self._tt[firsts] - t * t / w, 1e-9)
        slope = np.clip(both / spread, -self._steepest, self._steepest)
        sloping = np.maximum(steady - slope * (2 * both - slope * spread), 0.0)
        return steady / self._variance, sloping / self._variance + self._slope_cost, slope
