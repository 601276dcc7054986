"""Room tone is found where the room speaks alone, and nowhere else."""

import numpy as np
import pytest

from handover_values import trace_of
from takewell.handover.room_tone import room_tone_stretch


def talk(seconds, level=-30.0):
    return [level if k % 7 < 5 else -64.0 for k in range(int(seconds * 10))]


def quiet(seconds):
    rng = np.random.default_rng(2)
    return list(-66 + rng.normal(0, 0.7, int(seconds * 10)))


def test_the_longest_quiet_stretch_is_found_half_a_second_shy_of_both_ends():
    found = room_tone_stretch(trace_of(talk(20) + quiet(8) + talk(20) + quiet(12) + talk(10)))
    assert found == pytest.approx((48.5, 59.5), abs=0.31)


def test_a_stretch_too_short_to_loop_is_none():
    assert room_tone_stretch(trace_of(talk(20) + quiet(3.5) + talk(20))) is None


def test_digital_silence_is_no_room_tone():
    assert room_tone_stretch(trace_of(talk(20) + [-np.inf] * 100 + talk(20))) is None


def test_a_long_stretch_is_cut_to_what_is_asked_for():
    start, end = room_tone_stretch(trace_of(talk(10) + quiet(100)), longest_s=30.0)
    assert end - start == pytest.approx(30.0)


def test_speech_without_a_pause_holds_no_room_tone():
    assert room_tone_stretch(trace_of(talk(120))) is None
