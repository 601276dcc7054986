"""A receiver's noise and a phone's bursts are told; hissing and singing are not."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from takewell.examine.evidence import TakeEvidence
from takewell.examine.noise_burst import find_noise_bursts
from takewell.examine.rf_burst import find_rf_burst

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def bursts(seconds: float) -> F64:
    """Bursts of 0.577 ms every 4.615 ms, every 26th left out (3GPP TS 45.002: 26 frames of 8 slots last 120 ms)."""
    t = np.arange(round(seconds * RATE)) / RATE
    frame, at = np.divmod(t, 0.12 / 26)
    pulses = ((at < 0.12 / 26 / 8) & (frame % 26 != 25)).astype(float)
    return np.asarray(sosfilt(butter(1, [80, 8000], "bandpass", fs=RATE, output="sos"), pulses))


@pytest.mark.parametrize("milliseconds", [4, 20, 150])
def test_noise_of_full_bandwidth_that_starts_and_stops_at_once_is_a_radio_hit(
    hear: Hear, babble: Babble, rng: np.random.Generator, milliseconds: float
) -> None:
    sound, at, n = babble(6), 3 * RATE, round(milliseconds * RATE / 1000)
    sound[at : at + n] = 0.1 * rng.standard_normal(n)
    (found,) = find_noise_bursts(hear([sound]).tracks[0])
    assert found.kind == "dropout"
    assert found.evidence["manner"] == "noise burst"
    assert found.start_s == pytest.approx(3, abs=0.0015)
    assert found.evidence["longest_s"] == pytest.approx(milliseconds / 1000, abs=0.0025)


def test_a_hiss_that_swells_and_one_without_treble_are_no_hits(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound, n = babble(6), round(0.08 * RATE)
    sound[2 * RATE : 2 * RATE + n] += 0.1 * np.hanning(n) * rng.standard_normal(n)
    hiss = sosfilt(butter(4, [4000, 9000], "bandpass", fs=RATE, output="sos"), rng.standard_normal(n))
    sound[4 * RATE : 4 * RATE + n] += 0.1 * hiss
    assert find_noise_bursts(hear([sound]).tracks[0]) == []


def test_a_phone_is_found_by_its_frame_rate(hear: Hear, babble: Babble) -> None:
    sound = babble(12, level=0.05)
    buzz = bursts(3)
    sound[5 * RATE : 8 * RATE] += 0.01 * buzz / buzz.std()
    (found,) = find_rf_burst(hear([sound]).tracks[0])
    assert found.start_s >= 4.7
    assert found.end_s <= 8.3
    assert float(found.evidence["buzzing_s"] or 0) >= 0.7
    assert found.evidence["frame_rate_hz"] == pytest.approx(216.68, abs=0.02)  # as published


@pytest.mark.parametrize("hertz", [108.33, 216.67, 220.0])
def test_a_voice_or_a_string_near_that_pitch_is_no_phone(
    hear: Hear, rng: np.random.Generator, hertz: float
) -> None:
    t = np.arange(6 * RATE) / RATE
    # A straight tone still wanders by a hundredth (common practice, no source).
    phase = 2 * np.pi * hertz * (t + 0.01 / (2 * np.pi * 5.5) * np.sin(2 * np.pi * 5.5 * t))
    note = sum(np.sin(k * phase) / k for k in range(1, 24)) * (np.sin(2 * np.pi * t / 6) > 0)
    assert find_rf_burst(hear([0.05 * note + 1e-4 * rng.standard_normal(len(t))]).tracks[0]) == []


def test_talk_and_silence_hold_neither(hear: Hear, babble: Babble) -> None:
    for sound in (babble(10), np.zeros(2 * RATE), babble(0.2)):
        assert find_noise_bursts(hear([sound]).tracks[0]) == []
        assert find_rf_burst(hear([sound]).tracks[0]) == []
