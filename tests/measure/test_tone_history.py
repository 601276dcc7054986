"""A tone is followed at its own level, and is gone where it is gone."""

import numpy as np
import pytest

from takewell.errors import SignalError
from takewell.measure.tone_history import tone_levels

RATE = 48_000


@pytest.mark.parametrize("hertz", [50.0, 997.0, 15_625.0])
def test_a_steady_sine_reads_its_aes17_level_in_every_segment(hertz: float) -> None:
    wave = 0.5 * np.sin(2 * np.pi * hertz * np.arange(4 * RATE) / RATE + 0.3)
    levels = tone_levels(wave, RATE, hertz, 0.5)
    assert len(levels) == 15
    assert levels == pytest.approx(-6.0206, abs=0.05)  # 20 lg 0.5


def test_a_tone_that_is_struck_falls_between_the_strokes() -> None:
    t = np.arange(8 * RATE) / RATE
    wave = np.exp(-4 * (t % 2)) * np.sin(2 * np.pi * 440 * t)
    levels = tone_levels(wave, RATE, 440.0, 0.25)
    # An envelope exp(-4 t) loses 34.7 dB a second.
    assert np.ptp(levels) > 45


def test_what_lies_beside_does_not_count() -> None:
    t = np.arange(4 * RATE) / RATE
    wave = 0.01 * np.sin(2 * np.pi * 1000 * t) + 0.5 * np.sin(2 * np.pi * 1010 * t)
    assert tone_levels(wave, RATE, 1000.0, 1.0) == pytest.approx(-40, abs=0.1)


def test_too_few_samples_are_refused() -> None:
    with pytest.raises(SignalError, match="too few"):
        tone_levels(np.zeros(20), RATE, 440.0, 0.5)
