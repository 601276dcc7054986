"""The gain between two tracks: arithmetic of one sound at two gains."""

import numpy as np
import pytest

from takewell.desk import gain_between, levels
from takewell.engine import Meter

RATE = 48_000


def levels_of(samples):
    meter = Meter(RATE, 1, encoding="float32")
    meter.add(samples[:, None].astype(np.float32))
    return levels(meter.finish()[2][0])


@pytest.fixture(scope="module")
def sound():
    """Bursts of noise 50 dB over a floor of its own."""
    random = np.random.default_rng(5)
    burst = np.repeat(np.tile([1.0, 0.0], 10), RATE)
    return random.normal(size=20 * RATE) * (0.05 * burst + 0.00015)


def test_the_gain_between_a_sound_and_its_copy_is_the_gain_of_the_copy(sound):
    found = gain_between(levels_of(sound), levels_of(sound * 10 ** (-12 / 20)), 200)
    known = np.isfinite(found.middle_db)
    assert found.middle_db[known] == pytest.approx(-12, abs=0.01)
    assert 0.4 < known.mean() < 0.6  # only where the sound stands out of its floor
    assert (found.low_db[known] <= found.middle_db[known]).all()


def test_a_rail_shows_as_gain_that_is_missing(sound):
    loud = sound * 10
    loud[: 10 * RATE] /= 10
    copy = np.clip(loud, -0.3, 0.3)
    found = gain_between(levels_of(loud), levels_of(copy), 100)
    early = found.time_s < 10
    assert np.nanmedian(found.middle_db[early]) == pytest.approx(0, abs=0.01)
    assert np.nanmedian(found.middle_db[~early]) < -3


def test_a_stretch_holds_only_its_own_columns(sound):
    one = levels_of(sound)
    found = gain_between(one, one, 50, 4.0, 6.0)
    assert found.time_s.min() >= 4
    assert found.time_s.max() <= 6


def test_silence_has_no_gain():
    none = levels_of(np.zeros(RATE))
    assert np.isnan(gain_between(none, none, 10).middle_db).all()
