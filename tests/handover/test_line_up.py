"""The line-up tone against its note, with tones whose level is known in closed form."""

import numpy as np
import pytest

from handover_values import RATE, take_of
from takewell.handover.line_up import line_up_checks, stated_tone
from takewell.measure.steady_tone import steady_tone


def tone(frequency_hz, level_dbfs, noise=0.0):
    n = np.arange(RATE * 2)
    rng = np.random.default_rng(5)
    sine = 10 ** (level_dbfs / 20) * np.sin(2 * np.pi * frequency_hz / RATE * n + 0.3)
    return (sine + noise * rng.standard_normal(len(n)))[:RATE]


@pytest.mark.parametrize(
    ("note", "level", "frequency"),
    [
        ("Line-up 1 kHz at -20 dBFS", -20, 1000),
        ("tone −18 dBFS 997Hz", -18, 997),
        ("TONE 1,0 kHz @ –9,5dBFS", -9.5, 1000),
        ("just a tone", None, None),
    ],
)
def test_what_a_note_states(note, level, frequency):
    stated = stated_tone(note)
    assert (stated.level_dbfs, stated.frequency_hz) == (level, frequency)


# AES17-2015, 3.12: a sine's RMS level in dBFS is its peak's.
@pytest.mark.parametrize("frequency_hz", [50.3, 997.0, 1000.0, 12_345.6])
@pytest.mark.parametrize("level_dbfs", [-60.0, -20.0, 0.0, 18.0])
def test_a_tone_reads_its_own_level_and_frequency(frequency_hz, level_dbfs):
    found = steady_tone(tone(frequency_hz, level_dbfs), RATE)
    assert found.level_dbfs == pytest.approx(level_dbfs, abs=0.001)
    assert found.frequency_hz == pytest.approx(frequency_hz, abs=0.001)


def test_the_residual_is_the_noise():
    # Noise of 0.01 RMS under a full-scale sine of power 1/2: -37.0 dB.
    found = steady_tone(tone(1000, 0, noise=0.01), RATE)
    assert found.residual_db == pytest.approx(10 * np.log10(1e-4 / 0.5), abs=0.1)


def test_a_tone_as_stated_passes_and_half_a_decibel_more_does_not():
    take = take_of(kind="tone", note="1 kHz at -20 dBFS")
    right = line_up_checks(take, {1: tone(1000, -20.4), 2: tone(1000, -20.6)})
    assert [check.passed for check in right] == [True, False]


def test_a_tone_of_another_frequency_does_not_pass():
    take = take_of(("Boom",), kind="tone", note="1 kHz at -20 dBFS")
    assert not line_up_checks(take, {1: tone(900, -20)})[0].passed


def test_tracks_without_a_tone_are_passed_over_but_one_must_carry_it():
    noise = np.random.default_rng(1).standard_normal(RATE)
    take = take_of(kind="tone", note="1 kHz at -20 dBFS")
    assert [c.passed for c in line_up_checks(take, {1: tone(1000, -20), 2: noise})] == [True]
    assert [c.found for c in line_up_checks(take, {1: noise, 2: np.zeros(RATE)})] == ["no tone on any track"]
