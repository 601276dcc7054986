"""A stretch of a track: the same levels as the whole, finer where there is room."""

import numpy as np
import pytest

from takewell.desk import levels, levels_after
from takewell.engine import Meter
from takewell.roll.values import Move

RATE = 48_000


@pytest.fixture(scope="module")
def track():
    """Noise of -20 dBFS with 50 ms of silence in every second."""
    samples = np.random.default_rng(3).normal(size=30 * RATE) * 0.1 / 2**0.5
    for second in range(30):
        samples[second * RATE : second * RATE + RATE // 20] = 0
    meter = Meter(RATE, 1, encoding="float32")
    meter.add(samples[:, None].astype(np.float32))
    return levels(meter.finish()[2][0])


def test_a_stretch_at_the_same_resolution_shows_the_same_levels(track):
    whole, part = track.columns(300), track.columns(120, 10.0, 20.0)
    assert (part.start_s, part.duration_s) == (10, 10)
    inside = (whole.time_s > 10.1) & (whole.time_s < 19.9)
    for one, other in ((whole.level_dbfs, part.level_dbfs), (whole.peak_dbfs, part.peak_dbfs)):
        assert np.interp(whole.time_s[inside], part.time_s, other) == pytest.approx(one[inside], abs=1e-6)


def test_what_is_shorter_than_a_step_is_seen_from_near(track):
    far, near = track.columns(1000), track.columns(1000, 10.0, 12.0)
    assert far.level_dbfs.min() > -30
    assert near.level_dbfs.min() == -np.inf
    quiet = near.time_s[near.level_dbfs == -np.inf]
    assert quiet.min() == pytest.approx(10.0, abs=0.02)
    assert np.diff(quiet).max() == pytest.approx(1.0, abs=0.08)


def test_moves_count_in_a_stretch_too(track):
    move = Move("1-1", 1, 0, 30, 6.0, 0, 0, fixed=True, reason="")
    before, after = track.columns(1000, 10, 12), levels_after(track, [move]).columns(1000, 10, 12)
    heard = np.isfinite(before.level_dbfs)
    assert after.level_dbfs[heard] - before.level_dbfs[heard] == pytest.approx(6, abs=1e-4)
    assert after.peak_dbfs - before.peak_dbfs == pytest.approx(6, abs=1e-4)
