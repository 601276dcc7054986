"""Limiters and soft limits are told apart by how crests crowd and how sharp they stay."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.crests import loud_crests
from takewell.examine.evidence import TakeEvidence
from takewell.examine.limited import find_limited
from takewell.examine.soft_saturation import find_soft_saturation

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def swelling(seconds: float) -> F64:
    """A tone of 500 Hz whose crests take every height."""
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray((0.05 + 0.95 * np.abs(np.sin(2 * np.pi * 0.31 * t))) * np.sin(2 * np.pi * 500.5 * t))


def held_down(wave: F64, ceiling: float) -> F64:
    """Every half-wave that would go over turned down to the ceiling as a whole: the ideal limiter, without release."""
    edges = np.concatenate(([0], np.flatnonzero(np.diff(np.signbit(wave))) + 1, [len(wave)]))
    out = wave.copy()
    for first, last in pairwise(edges.tolist()):
        peak = np.abs(wave[first:last]).max()
        if peak > ceiling:
            out[first:last] *= ceiling / peak
    return out


def test_a_limiter_is_told_with_its_ceiling(hear: Hear, babble: Babble) -> None:
    speech = babble(12)
    ceiling = np.abs(speech).max() * 0.5
    (found,) = find_limited(hear([held_down(speech, ceiling)]).tracks[0])
    assert found.evidence["ceiling_dbfs"] == pytest.approx(20 * np.log10(ceiling), abs=0.05)
    assert find_soft_saturation(hear([held_down(speech, ceiling)]).tracks[0]) == []


def test_sharpness_falls_by_the_closed_form_of_a_hyperbolic_tangent(hear: Hear) -> None:
    # y = tanh x: at a crest y'' / y = (1 - y²) x / y · x'' / x, and a sine's own x'' / x is 2 - 2 cos ω.
    sides = loud_crests(hear([0.5 * np.tanh(2.5 * swelling(12))]).tracks[0], 0.0, 12.0)
    assert sides is not None
    own = 2 - 2 * np.cos(2 * np.pi * 500.5 / RATE)
    for side in sides:
        y = 2 * 10 ** ((side.ceiling_dbfs - side.below_db) / 20)
        whole = y < 0.97
        x = np.arctanh(y[whole])
        told = side.sharpness[whole] / own
        assert np.median(told / ((1 - y[whole] ** 2) * x / y[whole])) == pytest.approx(1, abs=0.05)
        assert side.sharpness_between(0, 1) < 0.5 * side.sharpness_between(3, 9)


@pytest.mark.parametrize("one_sided", [False, True])
def test_crests_that_bend_over_are_told_with_their_sides(hear: Hear, babble: Babble, one_sided: bool) -> None:
    speech = babble(12)
    driven = 4 * speech / np.abs(speech).max()
    bent = np.tanh(driven)
    bent = np.where(driven > 0, bent, driven / 4 if one_sided else bent)
    (found,) = find_soft_saturation(hear([0.4 * bent]).tracks[0])
    assert found.evidence["one_sided"] == int(one_sided)
    assert found.stage == "undecided"
    assert find_limited(hear([0.4 * bent]).tracks[0]) == []


def test_talk_as_it_is_and_silence_are_neither(hear: Hear, babble: Babble) -> None:
    for sound in (babble(12), np.zeros(5 * RATE), babble(1)):
        track = hear([sound]).tracks[0]
        assert find_limited(track) == []
        assert find_soft_saturation(track) == []


def test_a_line_up_tone_is_not_limited(hear: Hear) -> None:
    t = np.arange(10 * RATE) / RATE
    track = hear([0.1 * np.sin(2 * np.pi * 1000 * t)], roles="tone", kind="tone").tracks[0]
    assert find_limited(track) == []
