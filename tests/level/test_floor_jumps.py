"""Gains that keep the floor from jumping, at the least cost to the speech."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from takewell.level.floor_jumps import GRID_DB, HIGHEST_DB, OVER_COST, settle

JUMP, UNHEARD = 3.0, -60.0


def excess(floors):  # type: ignore[no-untyped-def]
    heard = np.maximum(floors, UNHEARD)
    return np.maximum(np.abs(np.diff(heard)) - JUMP - 1e-9, 0)


def total_cost(gains, wanted, weights, floors):  # type: ignore[no-untyped-def]
    return float((weights * np.abs(gains - wanted)).sum() + OVER_COST * (excess(floors + gains) ** 2).sum())


def settled(wanted, floors, weights, most=None, held=None):  # type: ignore[no-untyped-def]
    wanted = np.array(wanted, float)
    return settle(
        wanted,
        np.full(len(wanted), np.inf) if most is None else np.array(most, float),
        np.array(floors, float),
        np.array(weights, float),
        np.zeros(len(wanted), bool) if held is None else np.array(held),
        jumps_db=np.full(len(wanted) - 1, JUMP),
        unheard_dbfs=np.full(len(wanted) - 1, UNHEARD),
    )


def test_gains_that_jump_nowhere_stay_as_wanted() -> None:
    assert settled([10, 12, -40], [-75, -75, -25], [30, 30, 30]).tolist() == [10, 12, -40]


def test_a_short_quiet_passage_gives_way_to_a_long_one() -> None:
    gains = settled([0, 12], [-50, -50], [600, 5])
    assert gains[0] == pytest.approx(0, abs=0.21)
    assert gains[1] == pytest.approx(3, abs=0.21)


def test_floors_nobody_hears_may_jump() -> None:
    assert settled([0, 20], [-90, -85], [10, 10]).tolist() == [0, 20]


def test_a_persons_gain_stands_and_its_neighbours_follow_as_far_as_they_may() -> None:
    for persons, followed in ((4, 1), (12, HIGHEST_DB), (-9, -6)):
        gains = settled([0, persons, 0], [-50, -50, -50], [10, 10, 10], held=[False, True, False])
        assert gains[1] == persons
        assert gains[[0, 2]] == pytest.approx(followed, abs=0.21)


def test_limits_hold_and_what_cannot_be_kept_is_kept_as_far_as_can_be() -> None:
    gains = settled([0, 20], [-40, -40], [10, 10], most=[2, 30], held=[False, True])
    assert gains[1] == 20
    assert gains[0] <= 2.0


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-6, 6), st.floats(-62, -50), st.floats(1, 100)), min_size=2, max_size=3),
)
def test_no_gains_of_the_grid_cost_less(rows) -> None:  # type: ignore[no-untyped-def]
    wanted, floors, weights = (np.array(column) for column in zip(*rows, strict=True))
    gains = settled(wanted, floors, weights)
    steps = np.arange(-60, round(HIGHEST_DB / GRID_DB) + 1, 5) * GRID_DB
    best = min(
        total_cost(wanted + np.array(shift), wanted, weights, floors)
        for shift in product(steps, repeat=len(rows))
    )
    assert total_cost(gains, wanted, weights, floors) <= best + 1e-6
