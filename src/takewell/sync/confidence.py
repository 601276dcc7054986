"""How sure is it that a clip hears what a recording heard, from how far the evidence stands over chance?

A logistic curve in the height of the summed correlation and in how far the best place of the sketches stands out, fitted to
right and wrong places on voices, rooms and noises (`evaluation/sync.py`), and held against other voices there. Where a second
place fits nearly as well (music that repeats, a playback used in two takes), neither is sure.
"""

import math

INTERCEPT = -15.4
PER_EVIDENCE = 2.0
PER_STANDING_OUT = 0.1
MOST = 0.9999
"""Nothing heard is surer than this."""

LEAST = 0.5
"""What is called a pair at all."""

RIVAL_SHARE = 0.7
"""A second place with this share of the evidence leaves the choice open."""


def sure(evidence: float, standing_out: float, rival: float = 0.0) -> float:
    """Return the probability that a place is the right one.

    Parameters
    ----------
    evidence : float
        Height of the sum of all windows, in spreads of chance.
    standing_out : float
        Of the sketches' best place, in spreads of all places.
    rival : float
        Evidence of the next best place.
    """
    height = INTERCEPT + PER_EVIDENCE * min(evidence, 40.0) + PER_STANDING_OUT * min(standing_out, 40.0)
    alone = 1 / (1 + math.exp(-height))
    if rival > RIVAL_SHARE * evidence:
        alone *= evidence / (evidence + rival)
    return min(alone, MOST)
