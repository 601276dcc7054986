"""Loudness of speech passages: tones with pauses, whose speech loudness is known but for the edges."""

import numpy as np
import pytest

from accuracy.signals import steps
from takewell.engine import Meter
from takewell.measure.speech_loudness import active_steps, speech_loudness

RATE = 48_000


def trace_of(parts):
    meter = Meter(RATE, 1, encoding="float64")
    meter.add(steps(parts, RATE)[:, None])
    return meter.finish().traces[0]


# A mono 1 kHz tone of L dBFS has L - 3.01 - 0.691 + 0.698 LUFS (ITU-R BS.1770-5, Annex 1).
def test_speech_without_pauses_reads_its_loudness():
    found = speech_loudness(trace_of([(-20, 20)]))
    assert found.loudness_lufs == pytest.approx(-23.0, abs=0.01)
    assert found.share == 1


# 2 s of tone, then a pause: a block at an edge may be half pause (-3 dB), 3 of 17 on each side at worst: under 0.8 dB.
@pytest.mark.parametrize("pause_dbfs", [None, -50, -60])
@pytest.mark.parametrize("pause_s", [2, 8])
def test_pauses_do_not_count(pause_dbfs, pause_s):
    found = speech_loudness(trace_of([(-20, 2), (pause_dbfs, pause_s)] * 6))
    assert found.loudness_lufs == pytest.approx(-23, abs=0.8)
    assert found.loudness_lufs < -23
    assert found.share == pytest.approx(2.2 / (2 + pause_s), abs=0.03)


@pytest.mark.parametrize("gain_db", [-60, -6, 12])
def test_gain_moves_the_reading_by_as_much(gain_db):
    parts = [(-20, 2), (-55, 3)] * 4
    moved = [(level + gain_db, seconds) for level, seconds in parts]
    plain, other = speech_loudness(trace_of(parts)), speech_loudness(trace_of(moved))
    assert other.loudness_lufs - plain.loudness_lufs == pytest.approx(gain_db, abs=1e-3)


# The activity is P.56's own, read in steps of 10 ms; ITU-T G.191's software gives 63.85 % for this signal by
# exact intersection.
def test_the_activity_is_p56s():
    trace = trace_of([(-20, 1), (None, 1)] * 10)
    assert active_steps(trace.fine_rms.astype(float)).mean() == pytest.approx(0.6385, abs=0.01)


def test_silence_and_too_little_have_none():
    assert speech_loudness(trace_of([(None, 5)])) is None
    assert speech_loudness(trace_of([(-20, 0.3)])) is None
    assert not active_steps(np.zeros(0)).any()
