"""Steady tones that are no mains are told with their frequency; what comes and goes is not."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.examine.evidence import TakeEvidence
from takewell.examine.whine import find_whine

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]

SPOKEN = (Passage(0.0, 20.0, -23.0, -17.0, -62.0, -64.0, 45.0),)


def sine(hertz: float, level_dbfs: float, seconds: float = 20.0) -> F64:
    t = np.arange(round(seconds * RATE)) / RATE
    return np.asarray(10 ** (level_dbfs / 20) * np.sin(2 * np.pi * hertz * t))


# The first is the line frequency of television with 625 lines (ITU-R BT.470).
@pytest.mark.parametrize("hertz", [15_625.0, 1_017.3, 742.0])
def test_a_tone_is_found_with_its_frequency_and_level(hear: Hear, babble: Babble, hertz: float) -> None:
    sound = 0.1 * babble(20) + sine(hertz, -55)
    (found,) = find_whine(hear([sound], passages=[SPOKEN]).tracks[0])
    assert found.evidence["frequency_hz"] == pytest.approx(hertz, abs=0.3)
    assert found.evidence["level_dbfs"] == pytest.approx(-55, abs=0.5)
    assert (found.start_s, found.end_s) == (0.0, 20.0)


@pytest.mark.parametrize(("over_db", "told"), [(5.0, 0), (11.0, 1)])
def test_without_speech_it_is_told_from_eight_decibels_over_its_critical_band(
    hear: Hear, rng: np.random.Generator, over_db: float, told: int
) -> None:
    # ECMA-74, annex D: the critical band at 2 kHz is 25 + 75 (1 + 1.4 · 4)^0.69 = 301 Hz wide, a tone 8 dB over its noise prominent.
    noise = 1e-3 * rng.standard_normal(20 * RATE)
    in_band = 1e-6 * 301 / (RATE / 2)
    tone = np.sqrt(2 * in_band * 10 ** (over_db / 10)) * np.sin(
        2 * np.pi * 2000.7 * np.arange(20 * RATE) / RATE
    )
    found = find_whine(hear([noise + tone]).tracks[0])
    assert len(found) == told
    if told:
        assert found[0].evidence["over_critical_band_db"] == pytest.approx(over_db, abs=1)


def test_lines_of_the_mains_are_left_to_hum(hear: Hear, babble: Babble) -> None:
    for hertz in (250.0, 600.0, 1200.0):
        assert find_whine(hear([0.1 * babble(20) + sine(hertz, -50)], passages=[SPOKEN]).tracks[0]) == []


def test_a_note_that_is_struck_again_is_no_whine(hear: Hear, rng: np.random.Generator) -> None:
    t = np.arange(20 * RATE) / RATE
    struck = np.exp(-3 * (t % 1.0)) * sine(1760.0, -40)
    assert find_whine(hear([struck + 1e-5 * rng.standard_normal(len(t))]).tracks[0]) == []


def test_talk_silence_and_short_tracks_have_none(hear: Hear, babble: Babble) -> None:
    assert find_whine(hear([babble(20)], passages=[SPOKEN]).tracks[0]) == []
    assert find_whine(hear([np.zeros(8 * RATE)]).tracks[0]) == []
    assert find_whine(hear([sine(5000, -20, 2.0)]).tracks[0]) == []
