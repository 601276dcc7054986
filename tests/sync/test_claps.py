"""Claps: what sounds like a slate is listed, speech is not."""

import numpy as np
import pytest

from sync.conftest import RATE, Heard, clip, recording, talk, with_floor
from takewell.sync.claps import claps
from takewell.sync.values import Pairing


def clap(seed: int) -> np.ndarray:
    """A burst that is there at once and dies away by 60 dB in 80 ms: a common slate, no source."""
    n = np.arange(RATE // 5)
    return np.random.default_rng(seed).standard_normal(len(n)) * 0.6 * 10 ** (-3 * n / (0.08 * RATE))


@pytest.mark.parametrize("at_s", [4.2, 11.003])
def test_a_clap_in_both_is_listed_at_its_place(tmp_path, at_s: float) -> None:
    sound = np.zeros(20 * RATE)
    start = round(at_s * RATE)
    sound[start : start + RATE // 5] = clap(1)
    own, other = with_floor(sound, 1, 1e-4), with_floor(sound[2 * RATE :], 2, 1e-3)
    pair = Pairing(recording(tmp_path / "r.wav", own), clip(tmp_path / "c.wav", other), offset_s=-2.0)
    (found,) = claps(Heard(own), Heard(other), pair)
    # Steps of 2 ms.
    assert found.recording_s == pytest.approx(at_s, abs=0.0021)
    assert found.clip_s == pytest.approx(at_s - 2.0, abs=0.0021)


def test_talk_claps_nowhere(tmp_path) -> None:
    own = with_floor(talk(20.0, 31), 1)
    pair = Pairing(recording(tmp_path / "r.wav", own), clip(tmp_path / "c.wav", own), offset_s=0.0)
    assert claps(Heard(own), Heard(own), pair) == ()
