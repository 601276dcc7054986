"""Delay and gain of a twin are found to a small part of a sample; a known delay is the outside measure."""

import numpy as np
import pytest

from takewell.mend.alignment import fit
from takewell.shape.placed import placed
from twin_recordings import F64, RATE, late, noise, voice


def reading(samples: F64):  # type: ignore[no-untyped-def]
    def read(start: int, count: int) -> F64:
        out = np.zeros(count)
        first, last = max(start, 0), min(start + count, len(samples))
        out[first - start : last - start] = samples[first:last]
        return out

    return read


@pytest.mark.parametrize("delay", [-7.0, -0.31, 0.0, 0.5, 3.37, 12.8])
@pytest.mark.parametrize("gain_db", [-20.0, 0.0, 6.5])
def test_a_known_delay_and_gain_come_out_within_a_thousandth(delay: float, gain_db: float) -> None:
    sound = voice(2.0)
    twin = late(sound, delay) * 10 ** (-gain_db / 20)
    found = fit(sound[RATE : RATE + RATE // 2], reading(twin), RATE, round(delay))
    assert found is not None
    assert found.delay_samples == pytest.approx(delay, abs=0.001)
    assert found.gain_db == pytest.approx(gain_db, abs=0.001)
    assert found.left_db < -60


def test_noise_of_its_own_moves_the_delay_by_less_than_minus_60_db_asks_for() -> None:
    # 0.008 samples leave -60 dB of a tone of 1 kHz: 20 log10(2 pi 1000 / 48000 * 0.0076).
    sound = voice(3.0)
    twin = late(sound, 4.27) + noise(len(sound), -60, 9)
    found = fit(sound[RATE : RATE + RATE // 2], reading(twin), RATE, 4.0)
    assert found is not None
    assert found.delay_samples == pytest.approx(4.27, abs=0.008)


def test_another_sound_is_no_twin() -> None:
    found = fit(voice(2.0)[RATE : RATE + RATE // 2], reading(voice(2.0, seed=77)), RATE, 0.0)
    assert found is None or found.left_db > -3


def test_silence_fits_nothing() -> None:
    assert fit(np.zeros(4800), reading(voice(1.0)), 0, 0.0) is None
    assert fit(voice(1.0)[:4800], reading(np.zeros(RATE)), 0, 0.0) is None


@pytest.mark.parametrize("hertz", [50, 1000, 8000, 15000, 20000])
def test_a_tone_read_between_its_samples_is_the_tone(hertz: int) -> None:
    # The tone's own formula; -100 dB is what the filter promises up to 0.44 of the rate.
    n = np.arange(6000)
    tone = np.sin(2 * np.pi * hertz / RATE * n)
    at = 500.37 + 1.00002 * np.arange(4000)
    read = placed(tone, 500.37, 1.00002, 4000)
    assert np.abs(read - np.sin(2 * np.pi * hertz / RATE * at)).max() < 1e-5


def test_whole_places_are_the_samples_themselves_and_outside_is_silence() -> None:
    sound = voice(1.0)
    assert np.array_equal(placed(sound, 10, 1.0, 50), sound[10:60])
    assert not placed(sound, -500.0, 1.0, 400).any()
    assert len(placed(sound, 3.5, 1.0, 0)) == 0
