"""What a sum measures after a gain, against libebur128 on the sum times the gain."""

from dataclasses import fields

import numpy as np
import pyebur128
import pytest

from takewell.engine import Meter
from takewell.mix.sum_figures import SumFigures

RATE = 48_000


def signal(channels: int) -> np.ndarray:
    """Noise of which some seconds lie under the absolute gate until a gain lifts them over it."""
    rng = np.random.default_rng(2)
    levels = np.repeat(10.0 ** (np.array([-30, -72, -45, -76, -28, -74, -71]) / 20), 4 * RATE)
    return levels[:, None] * rng.standard_normal((len(levels), channels))


def reference(samples: np.ndarray) -> float:
    state = pyebur128.R128State(samples.shape[1], RATE, pyebur128.MeasurementMode.MODE_I)
    state.add_frames(np.ascontiguousarray(samples).ravel(), len(samples))
    return float(pyebur128.get_loudness_global(state))


@pytest.mark.parametrize("channels", [1, 2])
@pytest.mark.parametrize("gain_db", [-20.0, 0.0, 9.0, 25.0])
def test_gates_stand_where_they_will_be(channels: int, gain_db: float) -> None:
    samples = signal(channels)
    found = SumFigures.of(np.array_split(samples, 9), rate=RATE, channels=channels, channel_mask=None)
    after = found.after(gain_db)
    louder = samples * 10 ** (gain_db / 20)
    assert after.integrated_lufs == pytest.approx(reference(louder), abs=0.02)
    # The meter itself is held against EBU Tech 3341 and 3342 elsewhere; a signal with the gain in it must read the same.
    meter = Meter(RATE, channels, encoding="float32")
    meter.add(louder)
    measured = meter.finish().programme
    assert measured is not None
    for one in fields(measured):
        assert getattr(after, one.name) == pytest.approx(getattr(measured, one.name), abs=1e-3), one.name


@pytest.mark.parametrize("target", [-16.0, -23.0, -40.0])
def test_the_gain_to_a_target_reaches_it(target: float) -> None:
    samples = signal(2) * 0.01
    gain_db = SumFigures.of([samples], rate=RATE, channels=2, channel_mask=None).gain_to(target)
    assert gain_db is not None
    assert reference(samples * 10 ** (gain_db / 20)) == pytest.approx(target, abs=0.02)


def test_silence_and_nothing_have_no_gain() -> None:
    for samples in (np.zeros((RATE, 1)), np.zeros((0, 1))):
        found = SumFigures.of([samples], rate=RATE, channels=1, channel_mask=None)
        assert found.gain_to(-23.0) is None
        assert found.after(3.0).integrated_lufs is None
