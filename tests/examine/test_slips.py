"""Where a machine tore the wave is told to the sample; what passed a converter is not."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import resample_poly

from takewell.examine.evidence import TakeEvidence
from takewell.examine.kinks import find_kinks
from takewell.examine.slips import find_slips

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def tone(seconds: float, hertz: float = 217.3, level: float = 0.2) -> F64:
    return level * np.sin(2 * np.pi * hertz * np.arange(round(seconds * RATE)) / RATE)


def test_missing_samples_are_a_jump_of_the_height_that_a_sine_has_there(hear: Hear) -> None:
    wave, at, gone = tone(4), 2 * RATE + 13, 60
    torn = np.concatenate((wave[:at], wave[at + gone :]))
    (kink,) = find_kinks(hear([torn]).tracks[0], 0.0)
    assert kink.at == at
    assert kink.is_jump
    assert kink.height == pytest.approx(
        wave[at + gone] - wave[at], abs=0.2 * 2 * np.pi * 217.3 / RATE * 2
    )  # slopes
    (found,) = find_slips(hear([torn]).tracks[0])
    assert found.kind == "dropout"
    assert found.evidence["manner"] == "missing samples"
    assert found.start_s == pytest.approx(at / RATE, abs=1e-9)


@pytest.mark.parametrize("length", [64, 480, 1024])
def test_a_buffer_played_twice_is_found_again_with_its_length(
    hear: Hear, rng: np.random.Generator, length: int
) -> None:
    wave = tone(4, 90.0) + 1e-5 * rng.standard_normal(4 * RATE)
    at = 2 * RATE
    torn = np.concatenate((wave[:at], wave[at - length : at], wave[at + length :]))
    (found,) = find_slips(hear([torn], encodings="int24").tracks[0])
    assert found.evidence["manner"] == "repeated buffer"
    assert found.evidence["buffer_samples"] == length
    assert found.start_s == pytest.approx(at / RATE, abs=1e-9)


def test_clocks_ten_millionths_apart_click_as_often_as_a_sample_of_theirs_goes_by(hear: Hear) -> None:
    # A clock 10 ppm fast is one sample ahead after 100,000 samples: 2.083 s at 48 kHz. The tone fits into that distance a
    # whole number of times, so every slip meets it at its steepest.
    wave = tone(20, RATE * 1041 / 100_001)
    slipped = np.delete(wave, np.arange(50_000, len(wave), 100_001))
    (found,) = find_slips(hear([slipped]).tracks[0])
    assert found.kind == "clock_clicks"
    assert found.severity == "major"
    assert found.evidence["period_s"] == pytest.approx(100_000 / RATE, rel=1e-4)
    assert found.evidence["clocks_apart_ppm"] == pytest.approx(10, rel=1e-3)


def test_single_samples_struck_now_and_then_are_clicks(hear: Hear, rng: np.random.Generator) -> None:
    wave = tone(8) + 1e-5 * rng.standard_normal(8 * RATE)
    wave[[RATE, 3 * RATE + 7]] += 0.05
    (found,) = find_slips(hear([wave]).tracks[0])
    assert found.evidence["manner"] == "struck samples"
    assert found.evidence["events"] == 2


def test_an_edge_that_passed_a_filter_at_half_the_rate_is_no_tear(hear: Hear) -> None:
    # A converter samples an edge through a filter: made at eight times the rate and brought down, it rings.
    fine = np.repeat([0.0, 0.3, 0.0], 8 * RATE)
    edge = resample_poly(fine, 1, 8)
    assert find_slips(hear([edge + tone(3, 90.0, 0.01)]).tracks[0]) == []


def test_talk_is_whole(hear: Hear, babble: Babble) -> None:
    assert find_slips(hear([babble(12)], encodings="int24").tracks[0]) == []


def test_silence_and_short_tracks_are_whole(hear: Hear) -> None:
    assert find_slips(hear([np.zeros(RATE)]).tracks[0]) == []
    assert find_slips(hear([tone(0.03)]).tracks[0]) == []
