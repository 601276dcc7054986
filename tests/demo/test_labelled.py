"""Labelled speech has the labels it says."""

import numpy as np
import pytest

from takewell.demo import Room, labelled_speech


def level_dbfs(samples: np.ndarray) -> float:
    return float(10 * np.log10(2 * np.mean(samples**2)))


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_levels_and_times_are_as_labelled(rate: int) -> None:
    track = labelled_speech(20, speech_dbfs=-20, floor_dbfs=-60, rate=rate, seed=3)
    assert track.samples.shape == (20 * rate, 1)
    talk = np.zeros(20 * rate, bool)
    for start_s, end_s in track.talk_s:
        talk[round(start_s * rate) : round(end_s * rate)] = True
    assert not track.dry[~talk].any()
    # A second and more of noise within some 150 Hz: 0.3 dB at one standard deviation.
    assert level_dbfs(track.samples[~talk]) == pytest.approx(-60, abs=0.6)
    dry = track.dry[talk, 0]
    block = rate // 50
    steps = np.mean(dry[: len(dry) // block * block].reshape(-1, block) ** 2, axis=1)
    assert 10 * np.log10(2 * steps[steps > steps.max() * 10**-4.5].mean()) == pytest.approx(-20, abs=0.5)


def test_levels_move_with_their_labels_and_nothing_else_does() -> None:
    soft = labelled_speech(8, speech_dbfs=-30, floor_dbfs=-70, seed=5)
    loud = labelled_speech(8, speech_dbfs=-10, floor_dbfs=-50, seed=5)
    assert np.allclose(loud.samples, 10 * soft.samples, rtol=0, atol=1e-12)


def test_no_noise_leaves_the_speech_alone() -> None:
    track = labelled_speech(6, floor_dbfs=-np.inf, voice="tobin", effort="shout")
    assert np.array_equal(track.samples, track.dry)


def test_a_room_adds_a_tail_and_keeps_the_direct_level() -> None:
    dry = labelled_speech(8, floor_dbfs=-np.inf, seed=2)
    wet = labelled_speech(8, floor_dbfs=-np.inf, seed=2, room=Room((5, 4, 3), 0.5, 30), distance_m=0.3)
    assert wet.talk_s == dry.talk_s
    end = round(wet.talk_s[0][1] * 48_000)
    assert wet.dry[end + 2400 : end + 4800].any()
    assert not dry.dry[end + 2400 : end + 4800].any()
    # At 0.3 m the direct sound rules: the room adds less than a decibel and a half.
    assert 0 <= level_dbfs(wet.dry) - level_dbfs(dry.dry) < 1.5
