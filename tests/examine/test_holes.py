"""Dropouts and digital silence are found to the sample; pauses, fades and gates of clean sound are not."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.digital_silence import find_digital_silence
from takewell.examine.dropout import find_dropouts
from takewell.examine.evidence import TakeEvidence
from takewell.examine.zero_runs import zero_runs

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
@pytest.mark.parametrize("milliseconds", [1, 2, 5, 20, 100, 280])
def test_a_hole_of_zeros_is_a_dropout_to_the_sample(
    hear: Hear, babble: Babble, encoding: str, milliseconds: int
) -> None:
    sound = babble(6)
    at, length = 123_457, milliseconds * RATE // 1000
    sound[at : at + length] = 0
    found = find_dropouts(hear([sound], encodings=encoding).tracks[0])
    assert [f.kind for f in found] == ["dropout"]
    assert found[0].start_s * RATE == pytest.approx(at, abs=1)
    assert found[0].end_s * RATE == pytest.approx(at + length, abs=1)
    assert found[0].evidence["events"] == 1


def test_holes_close_together_are_told_as_one_and_counted(hear: Hear, babble: Babble) -> None:
    sound = babble(30)
    starts = [round(s * RATE) for s in (3.01, 3.5, 4.2, 25.0)]
    for at in starts:
        sound[at : at + 240] = 0
    found = find_dropouts(hear([sound]).tracks[0])
    assert [f.evidence["events"] for f in found] == [3, 1]
    assert found[0].evidence["places_s"] == "3.0100 3.5000 4.2000"
    assert found[0].sentence == "3 dropouts of up to 5 ms between 0:03 and 0:04"


def test_a_day_of_dropouts_is_no_more_than_six_findings(hear: Hear, babble: Babble) -> None:
    sound = np.tile(babble(20), 12)
    for second in range(1, 240, 12):
        sound[second * RATE : second * RATE + 96] = 0
    found = find_dropouts(hear([sound]).tracks[0])
    assert 1 <= len(found) <= 6
    assert sum(int(f.evidence["events"] or 0) for f in found) == 20


@pytest.mark.parametrize("milliseconds", [20, 60, 200])
@pytest.mark.parametrize("left_db", [-90, -110])
def test_a_collapse_to_a_receivers_own_noise_is_a_dropout(
    hear: Hear, babble: Babble, rng: np.random.Generator, milliseconds: int, left_db: float
) -> None:
    sound = babble(8)
    at, length = 200_003, milliseconds * RATE // 1000
    sound[at : at + length] = 10 ** (left_db / 20) * rng.standard_normal(length)
    found = find_dropouts(hear([sound]).tracks[0])
    assert len(found) == 1
    # The windows that are compared are 2 ms long; so is what an edge may be off by.
    assert found[0].start_s * RATE == pytest.approx(at, abs=96)
    assert found[0].end_s * RATE == pytest.approx(at + length, abs=96)


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
@pytest.mark.parametrize("level", [0.1, 0.001])
def test_the_pauses_of_clean_sound_are_no_dropouts(
    hear: Hear, babble: Babble, encoding: str, level: float
) -> None:
    heard = hear([babble(20, level=level)], encodings=encoding).tracks[0]
    assert find_dropouts(heard) == []
    assert find_digital_silence(heard) == []


def test_sound_that_fades_into_zeros_between_phrases_is_no_dropout(hear: Hear, babble: Babble) -> None:
    sound = babble(12)
    for second in (2, 5, 8):
        fade = np.linspace(1, 0, RATE // 10)
        start = second * RATE
        sound[start : start + len(fade)] *= fade
        sound[start + len(fade) : start + len(fade) + 9_600] = 0
        back = start + len(fade) + 9_600
        sound[back : back + len(fade)] *= fade[::-1]
    assert find_dropouts(hear([sound], encodings="int16").tracks[0]) == []


def test_a_gain_that_is_moved_is_no_dropout(hear: Hear, babble: Babble) -> None:
    sound = babble(20)
    sound[8 * RATE : 12 * RATE] *= 10 ** (-60 / 20)
    heard = hear([sound]).tracks[0]
    assert find_dropouts(heard) == []
    assert find_digital_silence(heard) == []


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
def test_digital_silence_is_found_to_the_sample(hear: Hear, babble: Babble, encoding: str) -> None:
    sound = babble(12)
    sound[3 * RATE + 77 : 7 * RATE + 1234] = 0
    found = find_digital_silence(hear([sound], encodings=encoding).tracks[0])
    assert [f.kind for f in found] == ["digital_silence"]
    assert found[0].severity == "major"
    assert found[0].start_s * RATE == pytest.approx(3 * RATE + 77, abs=1)
    assert found[0].end_s * RATE == pytest.approx(7 * RATE + 1234, abs=1)
    assert found[0].evidence["share"] == pytest.approx((4 * RATE + 1157) / (12 * RATE), abs=1e-5)
    assert "4.0 s" in found[0].sentence


def test_silence_at_the_head_is_a_note(hear: Hear, babble: Babble) -> None:
    sound = babble(6)
    sound[: 2 * RATE] = 0
    found = find_digital_silence(hear([sound]).tracks[0])
    assert [(f.severity, f.sentence) for f in found] == [("note", "the first 2.0 s are digital silence")]
    assert find_dropouts(hear([sound]).tracks[0]) == []


def test_only_the_steps_that_could_hold_a_hole_are_read(hear: Hear, babble: Babble) -> None:
    sound = babble(60)
    sound[30 * RATE : 30 * RATE + 480] = 0
    heard = hear([sound])
    assert len(zero_runs(heard.tracks[0], 48)) == 1
    # One step of the trace: the hole begins at its edge.
    assert heard.reader.samples_read <= RATE // 10  # type: ignore[attr-defined]
