"""Hum is told with its frequency, weighed as the ear hears it; clean sound has none."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.examine.evidence import TakeEvidence
from takewell.examine.hum import find_hum

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def mains(hertz: float, seconds: float, level_dbfs: float, orders: tuple[int, ...] = (1, 2, 3, 5)) -> F64:
    t = np.arange(round(seconds * RATE)) / RATE
    wave = sum(np.sin(2 * np.pi * hertz * order * t + order) / order for order in orders)
    return np.asarray(wave * 10 ** (level_dbfs / 20) * np.sqrt(0.5) / np.std(wave))


# The fundamental frequencies of public supplies, and what IEC 60038 calls 60 Hz at the rate of 59.94.
@pytest.mark.parametrize("hertz", [49.9, 50.0, 50.08, 59.94, 60.0])
def test_the_frequency_is_found_to_a_twentieth_of_a_hertz_on_a_minute(
    hear: Hear, babble: Babble, hertz: float
) -> None:
    passage = Passage(0.0, 60.0, -23.0, -17.0, -54.0, -60.0, 43.0)
    found = find_hum(hear([babble(60) + mains(hertz, 60, -54)], passages=[(passage,)]).tracks[0])
    assert [f.kind for f in found] == ["hum"]
    assert found[0].evidence["frequency_hz"] == pytest.approx(hertz, abs=0.05)


def test_its_level_is_held_against_the_floor(hear: Hear, rng: np.random.Generator) -> None:
    passage = Passage(0.0, 60.0, -23.0, -17.0, -53.0, -62.0, 43.0)
    floor = 10 ** (-63 / 20) * rng.standard_normal(60 * RATE)  # AES17: 3 dB more than its RMS against 1.0
    found = find_hum(hear([floor + mains(50, 60, -54)], passages=[(passage,)]).tracks[0])
    assert found[0].evidence["level_dbfs"] == pytest.approx(-54, abs=0.3)
    assert found[0].evidence["over_floor_db"] == pytest.approx(-1, abs=0.3)


def test_how_bad_it_is_goes_by_what_is_heard_under_speech(hear: Hear, rng: np.random.Generator) -> None:
    passage = Passage(0.0, 20.0, -23.0, -17.0, -30.0, -45.0, 28.0)
    sound = 10 ** (-48 / 20) * rng.standard_normal(20 * RATE)
    deep = find_hum(hear([sound + mains(50, 20, -40, (1,))], passages=[(passage,)]).tracks[0])
    buzz = find_hum(hear([sound + mains(50, 20, -40, (2, 6, 12, 18))], passages=[(passage,)]).tracks[0])
    # IEC 61672-1: A is -30.2 dB at 50 Hz and -0.2 to +1 dB from 900 Hz on.
    assert [f.severity for f in deep] == []
    assert [f.severity for f in buzz] == ["minor"]


def test_clean_sound_has_no_hum(hear: Hear, babble: Babble) -> None:
    passage = Passage(0.0, 20.0, -23.0, -17.0, -60.0, -62.0, 43.0)
    assert find_hum(hear([babble(20)], passages=[(passage,)]).tracks[0]) == []


def test_silence_and_short_tracks_have_no_hum(hear: Hear) -> None:
    assert find_hum(hear([np.zeros(8 * RATE)]).tracks[0]) == []
    assert find_hum(hear([mains(50, 2, -20)]).tracks[0]) == []


@pytest.mark.parametrize("hertz", [49.0, 61.7, 123.5])
def test_a_held_note_near_mains_is_no_hum(hear: Hear, rng: np.random.Generator, hertz: float) -> None:
    note = mains(hertz, 20, -20, (1, 2, 3)) + 1e-4 * rng.standard_normal(20 * RATE)
    assert find_hum(hear([note]).tracks[0]) == []


def test_a_voice_on_one_pitch_is_no_hum_for_it_pauses(hear: Hear, babble: Babble) -> None:
    t = np.arange(20 * RATE) / RATE
    talking = np.clip(np.sin(2 * np.pi * 0.4 * t) + 0.7, 0, 1)
    chant = talking * mains(50.0, 20, -20, (2, 3, 4, 5, 6)) + 1e-4 * babble(20)
    assert find_hum(hear([chant]).tracks[0]) == []
