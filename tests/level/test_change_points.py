"""The change-point search finds what trying every segmentation finds."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.level.change_points import segments

VARIANCE = 4.0


def change_points(values, weights, **costs):  # type: ignore[no-untyped-def]
    return [s.first for s in segments(values, weights, np.arange(len(values), dtype=float), **costs)[1:]]


def one_cost(x, w, t, slope_cost, steepest):  # type: ignore[no-untyped-def]
    """Cost of one segment the slow way: residuals of the mean, and of the line held at the steepest."""
    steady = float((w * (x - np.average(x, weights=w)) ** 2).sum()) / VARIANCE
    if len(x) < 2 or not steepest:
        return steady
    slope = float(np.clip(np.polyfit(t, x, 1, w=np.sqrt(w))[0], -steepest, steepest))
    rest = x - slope * t
    return min(steady, float((w * (rest - np.average(rest, weights=w)) ** 2).sum()) / VARIANCE + slope_cost)


def cost(values, weights, places, firsts, penalty, slope_cost, steepest):  # type: ignore[no-untyped-def]
    edges = [0, *firsts, len(values)]
    return penalty * len(firsts) + sum(
        one_cost(values[a:b], weights[a:b], places[a:b], slope_cost, steepest) for a, b in pairwise(edges)
    )


numbers = st.floats(-60, 0)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(st.tuples(numbers, st.floats(0.1, 3), st.floats(0.5, 20)), min_size=1, max_size=8),
    st.floats(0.1, 60),
    st.floats(0, 60),
    st.sampled_from([0.0, 0.1, 3.0]),
)
def test_no_segmentation_is_cheaper(rows, penalty, slope_cost, steepest) -> None:  # type: ignore[no-untyped-def]
    values, weights, gaps = (np.array(column) for column in zip(*rows, strict=True))
    places = np.cumsum(gaps)
    found = segments(
        values, weights, places,
        variance=VARIANCE, penalty=penalty, slope_cost=slope_cost, steepest=steepest,
    )  # fmt: skip
    best = min(
        cost(values, weights, places, list(changes), penalty, slope_cost, steepest)
        for count in range(len(values))
        for changes in combinations(range(1, len(values)), count)
    )
    firsts = [s.first for s in found[1:]]
    mine = cost(values, weights, places, firsts, penalty, slope_cost, steepest)
    assert mine == pytest.approx(best, rel=1e-7, abs=1e-4)
    assert all(abs(s.slope) <= steepest for s in found)


def test_a_slow_change_is_one_slope_and_a_sudden_one_a_step() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(200.0)
    slow = -30 + 0.05 * t + rng.normal(0, 1.5, 200)
    sudden = -30 + 10.0 * (t >= 100) + rng.normal(0, 1.5, 200)
    costs = {"variance": 2.25, "penalty": 21.0, "slope_cost": 21.0, "steepest": 0.08}
    (one,) = segments(slow, np.ones(200), t, **costs)
    # The standard error of a slope is sigma / sqrt(sum (t - mean)^2): 0.0018 here.
    assert one.slope == pytest.approx(0.05, abs=4 * 0.0018)
    first, second = segments(sudden, np.ones(200), t, **costs)
    assert (first.slope, second.slope, second.first) == (0.0, 0.0, 100)


def test_a_step_in_noise_is_found_where_it_is() -> None:
    rng = np.random.default_rng(1)
    values = np.concatenate([rng.normal(-30, 2, 80), rng.normal(-20, 2, 60)])
    assert change_points(values, np.ones(140), variance=4.0, penalty=20.0) == [80]


def test_a_steady_row_has_no_change() -> None:
    values = np.random.default_rng(2).normal(-25, 2.5, 400)
    assert change_points(values, np.ones(400), variance=6.25, penalty=4 * np.log(400)) == []


def test_many_changes_are_found_each_where_it_is() -> None:
    rng = np.random.default_rng(3)
    levels = -25 + 8 * (-1.0) ** np.arange(40)
    values = np.concatenate([rng.normal(level, 1, 25) for level in levels])
    assert change_points(values, np.ones(1000), variance=1.0, penalty=30.0) == list(range(25, 1000, 25))
