"""The change-point search finds what trying every segmentation finds."""

from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.level.change_points import change_points


def cost(values, weights, changes, variance, penalty):  # type: ignore[no-untyped-def]
    edges = [0, *changes, len(values)]
    total = penalty * len(changes)
    for a, b in pairwise(edges):
        mean = np.average(values[a:b], weights=weights[a:b])
        total += float((weights[a:b] * (values[a:b] - mean) ** 2).sum() / variance)
    return total


numbers = st.floats(-60, 0)


@settings(max_examples=150)
@given(st.lists(st.tuples(numbers, st.floats(0.1, 3)), min_size=1, max_size=9), st.floats(0.1, 60))
def test_no_segmentation_is_cheaper(rows, penalty) -> None:  # type: ignore[no-untyped-def]
    values, weights = np.array([r[0] for r in rows]), np.array([r[1] for r in rows])
    found = change_points(values, weights, variance=4.0, penalty=penalty)
    best = min(
        cost(values, weights, list(changes), 4.0, penalty)
        for count in range(len(values))
        for changes in combinations(range(1, len(values)), count)
    )
    assert cost(values, weights, found, 4.0, penalty) == pytest.approx(best, rel=1e-9, abs=1e-6)


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
