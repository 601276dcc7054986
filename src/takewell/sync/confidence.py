"""How sure is it that a clip hears what a recording heard, from how far the evidence stands over chance?

A logistic curve in the height of the summed correlation, fitted to right and wrong places on the voices that may be tuned on
(`evaluation/sync.py`), wrong ones counted six times, as a long day tries more of them; held against other voices there.
Where a second place fits nearly as well (music that repeats, a playback used in two takes), neither is sure.
"""

import math
from collections.abc import Sequence

INTERCEPT = -17.0
PER_EVIDENCE = 2.0
HIGHEST = 40.0
"""More evidence than this makes nothing surer."""

MOST = 0.9999
"""Nothing heard is surer than this."""

LEAST = 0.5
"""What is called a pair at all."""

RIVAL_SHARE = 0.7
"""A second place with this share of the evidence leaves the choice open."""


LEAST_AGAINST_RIVALS = 0.75
"""What is called a pair where another place fits nearly as well."""


def sure(evidence: float, rivals: Sequence[float] = ()) -> float:
    """Return the probability that a place is the right one.

    Parameters
    ----------
    evidence : float
        Height of the sum of all windows, in spreads of chance.
    rivals : sequence of float
        Evidence of other places where it cannot be as well.
    """
    alone = 1 / (1 + math.exp(-(INTERCEPT + PER_EVIDENCE * min(evidence, HIGHEST))))
    near = sum(rival for rival in rivals if rival > RIVAL_SHARE * evidence)
    return min(alone * evidence / (evidence + near), MOST) if evidence > 0 else 0.0
