"""Clipping is found at any level with the right rail and loss, and nothing smooth is taken for it."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.clipped import find_clipped
from takewell.examine.evidence import TakeEvidence
from takewell.examine.rails import cuts
from takewell.examine.spans import runs

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]


def tone(hertz: float, seconds: float, *, level: float = 1.0) -> F64:
    return level * np.sin(2 * np.pi * hertz * np.arange(round(seconds * RATE)) / RATE)


def run_lengths(marked: NDArray[np.bool_]) -> list[int]:
    return [stop - start for start, stop in runs(marked).tolist()]


def test_a_sine_clipped_at_0_7_has_its_rail_and_flats_where_arithmetic_puts_them(hear: Hear) -> None:
    # A unit sine is above 0.7 from asin(0.7) to pi - asin(0.7): 25.3 % of each half period. At 100 Hz and
    # 48 kHz that is 60.8 samples of every 240; the crest lost is 1/0.7, 3.10 dB.
    found = find_clipped(hear([np.clip(tone(100, 1), -0.7, 0.7)]).tracks[0])
    assert [f.kind for f in found] == ["clipped"]
    evidence = found[0].evidence
    assert evidence["rail_dbfs"] == pytest.approx(20 * np.log10(0.7), abs=1e-4)
    assert evidence["crests"] == 200
    share = 1 - 2 * np.arcsin(0.7) / np.pi
    assert evidence["flat_samples"] == pytest.approx(share * RATE, rel=1 / 60)
    # The parabola through the corner slopes against the sine it replaces: with half width theta = acos(0.7) the
    # estimate is 0.7 + theta sin(theta) / 2 = 0.984 for the true crest of 1; 3.10 dB reads 2.96.
    theta = np.arccos(0.7)
    expected = 20 * np.log10((0.7 + theta * np.sin(theta) / 2) / 0.7)
    assert evidence["lost_db"] == pytest.approx(expected, abs=0.25)
    assert found[0].start_s == pytest.approx(np.arcsin(0.7) / (2 * np.pi * 100), abs=1.5 / RATE)


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
@pytest.mark.parametrize("rail", [0.9, 0.25, 0.05])
def test_a_rail_is_found_at_whatever_level_it_lies(
    hear: Hear, babble: Callable[..., F64], encoding: str, rail: float
) -> None:
    sound = babble(6)
    sound *= rail * 10 ** (2 / 20) / np.abs(sound).max()
    found = find_clipped(hear([np.clip(sound, -rail, rail)], encodings=encoding).tracks[0])
    assert found
    assert found[0].evidence["rail_dbfs"] == pytest.approx(20 * np.log10(rail), abs=0.1)


def test_a_rail_above_full_scale_is_found_in_float(hear: Hear, babble: Callable[..., F64]) -> None:
    sound = babble(4, level=3)
    rail = 0.6 * np.abs(sound).max()
    found = find_clipped(hear([np.clip(sound, -rail, rail)]).tracks[0])
    assert found[0].evidence["rail_dbfs"] == pytest.approx(20 * np.log10(rail), abs=0.1)
    assert found[0].evidence["rail_dbfs"] > 0


def test_an_integer_file_is_clipped_at_full_scale(hear: Hear, babble: Callable[..., F64]) -> None:
    sound = babble(4)
    sound *= 1.5 / np.abs(sound).max()
    found = find_clipped(hear([sound], encodings="int24").tracks[0])
    assert found[0].evidence["rail_dbfs"] == pytest.approx(0, abs=1e-4)
    truth = np.abs(sound) >= 1
    assert found[0].evidence["flat_samples"] <= truth.sum()
    in_threes = sum(n for n in run_lengths(truth) if n >= 3)
    assert found[0].evidence["flat_samples"] == pytest.approx(in_threes, rel=0.02)
    assert found[0].start_s == pytest.approx(np.flatnonzero(truth)[0] / RATE, abs=0.01)


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
@pytest.mark.parametrize("flat_samples", [3, 4, 6, 10, 40])
def test_one_crest_of_three_samples_or_more_with_one_decibel_lost_is_enough(
    hear: Hear, encoding: str, flat_samples: int
) -> None:
    # A raised cosine of the width at which cutting 1 dB leaves `flat_samples` flat, alone in quiet noise.
    rail, crest = 0.5, 0.5 * 10 ** (1 / 20)
    half = (flat_samples + 0.6) / 2
    width = half / np.arccos(2 * rail / crest - 1)
    t = np.arange(-RATE // 2, RATE // 2) + 0.3
    bump = crest * (0.5 + 0.5 * np.cos(np.clip(t / width, -np.pi, np.pi)))
    sound = np.minimum(bump, rail) + 1e-4 * np.where(np.abs(t) < 3 * width, 0, np.sin(0.1 * t))
    found = find_clipped(hear([sound], encodings=encoding).tracks[0])
    assert len(found) == 1
    assert found[0].evidence["crests"] == 1
    assert found[0].start_s == pytest.approx(0.5, abs=flat_samples / RATE)


@pytest.mark.parametrize("hertz", [20, 30, 50, 100, 440, 997, 1_000, 3_000, 12_000, 23_000])
@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
@pytest.mark.parametrize("level_db", [-0.1, -20, -50])
def test_a_whistle_is_not_clipped(hear: Hear, hertz: float, encoding: str, level_db: float) -> None:
    sound = tone(hertz, 0.5, level=10 ** (level_db / 20))
    assert find_clipped(hear([sound], encodings=encoding).tracks[0]) == []


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
def test_clean_sound_is_not_clipped(hear: Hear, babble: Callable[..., F64], encoding: str) -> None:
    sound = babble(8)
    sound *= 0.98 / np.abs(sound).max()
    assert find_clipped(hear([sound], encodings=encoding).tracks[0]) == []


@pytest.mark.parametrize("hold", [2, 3, 4, 8])
def test_a_wave_held_over_several_samples_is_not_clipped(
    hear: Hear, babble: Callable[..., F64], hold: int
) -> None:
    sound = np.repeat(babble(2)[::hold], hold)
    assert find_clipped(hear([sound]).tracks[0]) == []


@pytest.mark.parametrize("hertz", [60, 220, 997])
@pytest.mark.parametrize("level", [0.999, 0.5])
def test_a_square_wave_of_a_synthesiser_is_not_called_clipped(hear: Hear, hertz: float, level: float) -> None:
    sound = level * np.sign(tone(hertz, 1) + 1e-9)
    assert find_clipped(hear([sound], encodings="int16").tracks[0]) == []


def test_a_limited_wave_with_one_sample_at_its_ceiling_is_not_clipped(hear: Hear) -> None:
    sound = tone(997, 1) * (1 + 0.3 * tone(3, 1))
    gain = np.minimum(1, 0.8 / (1 + 0.3 * tone(3, 1)))
    assert find_clipped(hear([sound * gain], encodings="int24").tracks[0]) == []


def test_silence_and_one_value_are_not_clipped(hear: Hear) -> None:
    assert find_clipped(hear([np.zeros(RATE)]).tracks[0]) == []
    assert find_clipped(hear([np.full(RATE, 0.5)]).tracks[0]) == []


def test_places_far_apart_are_findings_of_their_own(hear: Hear, babble: Callable[..., F64]) -> None:
    sound = babble(40)
    sound *= 0.3 / np.abs(sound).max()
    for at_s in (5.0, 6.0, 30.0):
        part = slice(round(at_s * RATE), round((at_s + 0.2) * RATE))
        sound[part] = np.clip(tone(300, 0.2), -0.5, 0.5)
    found = find_clipped(hear([sound]).tracks[0])
    assert [(round(f.start_s), round(f.end_s)) for f in found] == [(5, 6), (30, 30)]
    assert "between 0:05 and 0:06" in found[0].sentence


def test_a_cut_is_judged_alike_whatever_the_gain_after_it(babble: Callable[..., F64]) -> None:
    sound = np.clip(babble(1), -0.15, 0.15)
    plain = cuts(sound, RATE, 0.0)
    turned = cuts(sound * 2.0**-10, RATE, 0.0)
    assert plain
    assert [(c.start, c.stop) for c in turned] == [(c.start, c.stop) for c in plain]
    assert [c.lost_db for c in turned] == pytest.approx([c.lost_db for c in plain], abs=1e-9)
