"""Where does a row of levels change its mean, if changes cost something?

Penalised least squares, solved exactly: the segmentation that makes

    sum over segments of  sum_i w_i (x_i - mean)^2 / variance  +  penalty * (number of changes)

smallest, found by dynamic programming with pruning (Killick, Fearnhead, Eckley, "Optimal detection of
changepoints with a linear computational cost", J. Am. Stat. Assoc. 107 (2012), 1590-1598). A start that can
never again be best is dropped, which makes the expected cost linear in the number of values as long as
changes keep coming.

Conventions: values in decibels, weights in seconds of speech; a change at i means that i begins a new segment.
"""

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]


def change_points(values: F64, weights: F64, *, variance: float, penalty: float) -> list[int]:
    """Return where new segments begin, in order; empty where one mean serves best.

    Parameters
    ----------
    values : (n,) float array
    weights : (n,) float array
        Positive.
    variance : float
        Of a value of weight one around its segment's mean.
    penalty : float
        What one change costs, in units of the first sum.
    """
    n = len(values)
    if n < 2:
        return []
    weight = np.concatenate([[0.0], np.cumsum(weights)])
    first = np.concatenate([[0.0], np.cumsum(weights * values)])
    second = np.concatenate([[0.0], np.cumsum(weights * values**2)])

    def misfit(starts: NDArray[np.int64], stop: int) -> F64:
        w, a = weight[stop] - weight[starts], first[stop] - first[starts]
        return np.asarray(np.maximum(second[stop] - second[starts] - a**2 / w, 0.0) / variance)

    best = np.empty(n + 1)
    best[0] = -penalty
    came_from = np.zeros(n + 1, np.int64)
    candidates = np.zeros(1, np.int64)
    for stop in range(1, n + 1):
        without_penalty = best[candidates] + misfit(candidates, stop)
        winner = int(np.argmin(without_penalty))
        best[stop] = without_penalty[winner] + penalty
        came_from[stop] = candidates[winner]
        candidates = np.append(candidates[without_penalty <= best[stop]], stop)
    changes = []
    at = int(came_from[n])
    while at > 0:
        changes.append(at)
        at = int(came_from[at])
    return changes[::-1]
