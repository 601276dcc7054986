"""What only looks wrong is told as level; what a gain cannot mend is told as noise."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from takewell.demo import voices
from takewell.engine.results import Clip, Passage
from takewell.examine.evidence import TakeEvidence
from takewell.examine.noisy import find_noisy
from takewell.examine.over_full_scale import find_over_full_scale
from takewell.examine.recorded_level import find_recorded_level

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def noise(level_dbfs: float, seconds: float = 6.0) -> F64:
    """White noise of that RMS (AES17)."""
    white = np.random.default_rng(5).standard_normal(round(seconds * RATE))
    return 10 ** ((level_dbfs - 3.0103) / 20) * white


def passage(
    start_s: float = 0.0,
    end_s: float = 6.0,
    *,
    loudness: float | None = -23.0,
    speech: float | None = -20.0,
    floor: float | None = -70.0,
) -> Passage:
    return Passage(start_s, end_s, loudness, speech, floor, floor, None)


def test_float_over_full_scale_is_a_note_with_its_peak_and_what_to_turn_down(
    hear: Hear, babble: Babble
) -> None:
    sound = babble(6)
    sound *= 10 ** (8.3 / 20) / np.abs(sound).max()
    found = find_over_full_scale(hear([sound]).tracks[0])
    assert [(f.kind, f.severity) for f in found] == [("over_full_scale", "note")]
    assert found[0].evidence["peak_dbfs"] == pytest.approx(8.3, abs=1e-3)
    assert found[0].evidence["samples_over"] == np.count_nonzero(np.abs(sound) > 1)
    # EBU R 128 puts the highest true peak at -1 dBTP.
    assert "9.3 dB" in found[0].remedy


def test_thirty_decibels_a_thousand_times_over_are_read_as_they_are(hear: Hear, babble: Babble) -> None:
    sound = babble(3)
    sound *= 1000 / np.abs(sound).max()
    found = find_over_full_scale(hear([sound]).tracks[0])
    assert found[0].sentence.startswith("peaks at +60.0 dBFS")


def test_an_integer_file_is_never_over_full_scale(hear: Hear, babble: Babble) -> None:
    assert find_over_full_scale(hear([babble(3) * 20], encodings="int24").tracks[0]) == []


def test_what_is_flat_at_a_rail_is_left_to_clipped(hear: Hear, babble: Babble) -> None:
    heard = hear([np.clip(babble(3, level=2), -1.5, 1.5)])
    track = heard.tracks[0]
    piece, measured = track.measured[0]
    flat = Clip(0.0, 3.0, 3.52, "rail")
    told = type(track)(
        track.take,
        track.track,
        track.trace,
        ((piece, measured.__class__(**{**vars(measured), "clips": (flat,)})),),
        track.reader,
    )
    assert find_over_full_scale(track)
    assert find_over_full_scale(told) == []


@pytest.mark.parametrize(
    ("loudness", "kinds"),
    [(-23.0, []), (-37.0, []), (-39.0, ["low_level"]), (-83.0, ["low_level"]), (-18.0, []), (-16.0, ["high_level"]), (37.0, ["high_level"])],
)  # fmt: skip
def test_level_is_told_when_it_is_far_from_the_target(
    hear: Hear, babble: Babble, loudness: float, kinds: list[str]
) -> None:
    found = find_recorded_level(hear([babble(6)], passages=[(passage(loudness=loudness),)]).tracks[0])
    assert [f.kind for f in found] == kinds
    assert all(f.severity == "note" for f in found)


def test_each_passage_of_another_gain_is_told_with_its_floor_once_level(hear: Hear, babble: Babble) -> None:
    parts = (
        passage(0, 2),
        passage(2, 4, loudness=-83.0, floor=-120.0),
        passage(4, 6, loudness=+37.0, floor=-10.0),
    )
    found = find_recorded_level(hear([babble(6)], passages=[parts]).tracks[0])
    assert [(f.kind, f.start_s, f.end_s) for f in found] == [("low_level", 2, 4), ("high_level", 4, 6)]
    assert [f.evidence["floor_once_level_dbfs_a"] for f in found] == [-60.0, -70.0]
    assert found[0].sentence == "60 dB low between 0:02 and 0:04; its floor once level: −60 dBFS(A)"


def test_a_safety_copy_may_lie_twenty_decibels_lower(hear: Hear, babble: Babble) -> None:
    def kinds(loudness: float) -> list[str]:
        heard = hear([babble(6)], roles="safety", passages=[(passage(loudness=loudness),)])
        return [f.kind for f in find_recorded_level(heard.tracks[0])]

    assert kinds(-50.0) == []
    assert kinds(-60.0) == ["low_level"]


def test_room_tones_have_no_level_to_miss(hear: Hear, babble: Babble) -> None:
    heard = hear(
        [babble(6)], kind="room_tone", passages=[(passage(loudness=-70.0, speech=-60.0, floor=-62.0),)]
    )
    assert find_recorded_level(heard.tracks[0]) == []
    assert find_noisy(heard.tracks[0]) == []


@pytest.mark.parametrize(
    ("apart_db", "severities"), [(40, []), (21, []), (19, ["minor"]), (11, ["minor"]), (8, ["major"])]
)
def test_speech_too_little_above_its_noise_is_told(
    hear: Hear, babble: Babble, apart_db: float, severities: list[str]
) -> None:
    heard = hear([babble(6) + noise(-20.0 - apart_db)], passages=[(passage(floor=-20.0 - apart_db),)])
    found = find_noisy(heard.tracks[0])
    assert [f.severity for f in found] == severities
    assert all(f.evidence["speech_above_noise_db"] == pytest.approx(apart_db) for f in found)


def test_a_gain_does_not_change_what_is_noisy(hear: Hear, babble: Babble) -> None:
    low = hear(
        [babble(6) / 1000 + noise(-95.0)], passages=[(passage(loudness=-83.0, speech=-80.0, floor=-95.0),)]
    )
    assert [f.severity for f in find_noisy(low.tracks[0])] == ["minor"]


def test_an_atmosphere_without_speech_is_not_noisy(hear: Hear, rng: np.random.Generator) -> None:
    steady = 0.01 * rng.standard_normal(6 * RATE)
    assert find_noisy(hear([steady], passages=[(passage(speech=-37.0, floor=-39.0),)]).tracks[0]) == []


def test_speech_without_a_pause_is_not_taken_for_noise(hear: Hear) -> None:
    words = np.concatenate([clip.samples for clip in voices()["tobin"]])
    loud = uniform_filter1d(words**2, RATE // 50) > 1e-5 * np.mean(words**2)
    endless = np.concatenate([words[loud], words[loud]])[: 12 * RATE] * 0.3
    endless += 1e-4 * np.random.default_rng(3).standard_normal(len(endless))
    as_measured = Passage(0.0, len(endless) / RATE, -26.0, -23.0, -37.0, -37.0, 14.0)
    assert find_noisy(hear([endless], passages=[(as_measured,)]).tracks[0]) == []


def test_noise_of_the_same_level_under_the_same_speech_is_found(hear: Hear) -> None:
    words = np.concatenate([clip.samples for clip in voices()["tobin"]])[: 12 * RATE] * 0.3
    noisy = words + 10 ** ((-37 - 3.01) / 20) * np.random.default_rng(3).standard_normal(len(words))
    as_measured = Passage(0.0, len(noisy) / RATE, -26.0, -23.0, -37.0, -39.7, 14.0)
    assert [f.kind for f in find_noisy(hear([noisy], passages=[(as_measured,)]).tracks[0])] == ["noisy"]
