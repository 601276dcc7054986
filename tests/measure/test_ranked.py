"""The value at a rank is the sorted column's, however the column is cut and however long it is."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.measure import ranked as module
from takewell.measure.ranked import count_of, ranked

FINITE = st.floats(allow_nan=False, width=64)


@pytest.fixture
def long_columns(monkeypatch):
    """Treat every column as too long for memory."""
    monkeypatch.setattr(module, "IN_MEMORY", 0)


@given(parts=st.lists(st.lists(FINITE, max_size=20), min_size=1, max_size=5).filter(any), data=st.data())
def test_short_and_long_columns_rank_as_sorted(parts, data):
    arrays = [np.array(part, np.float64) for part in parts]
    everything = np.sort(np.concatenate(arrays))
    rank = data.draw(st.integers(0, len(everything) - 1))
    assert count_of(lambda: arrays) == len(everything)
    assert ranked(lambda: arrays, [rank]) == [everything[rank]]
    usual, module.IN_MEMORY = module.IN_MEMORY, 0
    try:
        assert ranked(lambda: arrays, [rank]) == [everything[rank]]
    finally:
        module.IN_MEMORY = usual


@pytest.mark.usefixtures("long_columns")
@pytest.mark.parametrize("value", [0.0, -0.0, 1.0, -1e300, 5e-324, np.inf])
def test_equal_values_rank_alike(value):
    assert ranked(np.full(1_000, value), [0, 500, 999]) == [value] * 3


@pytest.mark.usefixtures("long_columns")
def test_levels_of_a_long_recording_rank_as_sorted():
    levels = 10 ** np.random.default_rng(0).normal(-5, 2, 20_000)
    assert ranked(levels, [2_000, 19_000]) == list(np.sort(levels)[[2_000, 19_000]])
