"""Twins are found by their waves, stages by what the twins show, and verdicts say the shortest true thing."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.engine.results import Passage
from takewell.examine.evidence import TakeEvidence
from takewell.examine.examination import examine_take
from takewell.examine.judgement_json import finding_json, verdict_json
from takewell.examine.twins import find_twins
from takewell.examine.verdict import worst_first

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def level_passage(seconds: float, loudness: float = -23.0, floor: float = -70.0) -> tuple[Passage, ...]:
    return (Passage(0.0, seconds, loudness, loudness + 3, floor, floor, None),)


@pytest.mark.parametrize("gain_db", [-20.0, -6.0, 0.0, 12.0])
@pytest.mark.parametrize("encoding", ["float32", "int24"])
def test_a_copy_at_another_gain_is_a_twin_with_that_gain(
    hear: Hear, babble: Babble, gain_db: float, encoding: str
) -> None:
    sound = babble(12, level=0.03)
    heard = hear([sound, 10 ** (gain_db / 20) * sound], encodings=["float32", encoding])
    twins = find_twins(heard.tracks)
    assert [t.other.track.number for t in twins[1]] == [2]
    assert twins[1][0].gain_db == pytest.approx(gain_db, abs=0.1)
    assert twins[2][0].gain_db == pytest.approx(-gain_db, abs=0.1)
    assert twins[1][0].correlation > 0.999


def test_a_twin_whose_gain_was_moved_in_between_is_still_a_twin(hear: Hear, babble: Babble) -> None:
    sound = babble(12, level=0.03)
    moved = sound.copy()
    moved[6 * RATE :] *= 10
    assert find_twins(hear([sound, moved]).tracks)[1][0].other.track.number == 2


def test_a_reversed_late_copy_is_a_twin_with_its_sign_and_lag(hear: Hear, babble: Babble) -> None:
    sound = babble(8)
    twins = find_twins(hear([sound, -np.roll(sound, 3)]).tracks)
    assert twins[1][0].correlation < -0.99
    assert twins[1][0].lag_samples == 3


def test_two_microphones_on_one_voice_are_no_twins(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    # A second path with reflections: an exponential tail of 0.2 s, direct sound 6 dB over it, 2.9 ms later.
    sound = babble(8)
    tail = rng.standard_normal(9_600) * np.exp(-np.arange(9_600) / 1_400)
    tail *= 0.5 / np.sqrt(np.sum(tail**2))
    tail[140] += 1
    far = np.convolve(sound, tail)[: len(sound)]
    assert find_twins(hear([sound, far]).tracks) == {}


def test_two_tracks_of_one_tone_or_of_silence_prove_no_kinship(hear: Hear) -> None:
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(5 * RATE) / RATE)
    assert find_twins(hear([tone, tone]).tracks) == {}
    assert find_twins(hear([np.zeros(RATE), np.zeros(RATE)]).tracks) == {}


def test_a_safety_copy_cut_by_its_own_word_length_is_put_down_to_the_file(hear: Hear, babble: Babble) -> None:
    sound = babble(12)
    sound[4 * RATE : 6 * RATE] *= 1.8 / np.abs(sound[4 * RATE : 6 * RATE]).max()
    heard = hear([sound, sound], encodings=["float32", "int24"], roles=["iso", "safety"])
    came = examine_take(heard)
    clipped = [f for f in came.findings if f.kind == "clipped"]
    assert [(f.track, f.stage) for f in clipped] == [(2, "file")]
    assert "track 1" in str(clipped[0].evidence["stage_because"])
    assert came.verdicts[1].verdict == "mend"
    assert came.verdicts[1].reason.startswith("Flat at 0.0 dBFS")
    assert came.verdicts[1].reason.endswith("; its float twin (track 1) is whole.")
    assert (came.verdicts[0].verdict, came.verdicts[0].reason[:9]) == ("level", "Up to 5 d")


def test_a_float_iso_flat_together_with_its_copy_was_cut_before_both_files(
    hear: Hear, babble: Babble
) -> None:
    sound = babble(12)
    loud = slice(4 * RATE, 6 * RATE)
    sound[loud] *= 1.8 / np.abs(sound[loud]).max()
    sound = np.clip(sound, -0.7, 0.7)
    heard = hear([sound, 0.5 * sound], encodings=["float32", "int24"], roles=["iso", "safety"])
    stages = {f.track: f.stage for f in examine_take(heard).findings if f.kind == "clipped"}
    assert stages == {1: "converter", 2: "converter"}


def test_one_copy_alone_is_not_decidable_at_full_scale(hear: Hear, babble: Babble) -> None:
    sound = babble(4)
    sound *= 1.5 / np.abs(sound).max()
    (found,) = [f for f in examine_take(hear([sound], encodings="int24")).findings if f.kind == "clipped"]
    assert found.stage == "undecided"
    assert "not decidable" in str(found.evidence["stage_because"])


def test_an_analogue_rail_with_noise_on_it_is_not_put_down_to_a_converter(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    sound = babble(4)
    sound = np.clip(sound * 0.9 / np.abs(sound).max(), -0.5, 0.5)
    sound += 10 ** (-105 / 20) * rng.standard_normal(len(sound))
    (found,) = [f for f in examine_take(hear([sound])).findings if f.kind == "clipped"]
    assert found.stage == "undecided"


def test_clean_tracks_are_good_and_say_how_far_their_speech_stands_out(hear: Hear, babble: Babble) -> None:
    came = examine_take(hear([babble(12)], passages=[level_passage(12)]))
    assert came.findings == ()
    assert [(v.verdict, v.reason) for v in came.verdicts] == [("good", "Speech 50 dB above its noise.")]
    assert came.best is not None
    assert came.best.reason == "the only ISO"


def test_a_passage_at_another_gain_is_level_and_never_damage(hear: Hear, babble: Babble) -> None:
    sound = babble(18)
    sound[6 * RATE : 12 * RATE] *= 1e-3
    sound[12 * RATE :] *= 1e3
    parts = (
        Passage(0.0, 6.0, -23.0, -20.0, -70.0, -70.0, None),
        Passage(6.0, 12.0, -83.0, -80.0, -125.0, -125.0, None),
        Passage(12.0, 18.0, 37.0, 40.0, -10.0, -10.0, None),
    )
    came = examine_take(hear([sound], passages=[parts]))
    assert came.verdicts[0].verdict == "level"
    assert {f.kind for f in came.findings} == {"low_level", "high_level", "over_full_scale"}
    assert {f.severity for f in came.findings} == {"note"}


def test_a_silent_named_iso_is_lost_an_unnamed_one_unused(hear: Hear, babble: Babble) -> None:
    nothing = np.zeros(6 * RATE)
    heard = hear(
        [babble(6), nothing, nothing, nothing],
        names=["Boom", "Ada", "", "x"],
        roles=["iso", "iso", "iso", "unused"],
    )
    verdicts = {v.track: v.verdict for v in examine_take(heard).verdicts}
    assert verdicts == {1: "good", 2: "lost", 3: "good", 4: "good"}


def test_timecode_and_tone_are_judged_by_their_role(hear: Hear, babble: Babble) -> None:
    square = 0.5 * np.sign(np.sin(2 * np.pi * 1200 * np.arange(6 * RATE) / RATE + 0.1))
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(6 * RATE) / RATE)
    came = examine_take(
        hear([babble(6), square, tone], roles=["iso", "timecode", "tone"], passages=[level_passage(6)] * 3)
    )
    assert came.findings == ()
    assert [v.verdict for v in came.verdicts] == ["good"] * 3


def test_the_track_whose_speech_stands_out_farthest_is_named(hear: Hear, babble: Babble) -> None:
    passages = [level_passage(6, floor=-45), level_passage(6, floor=-70), level_passage(6, floor=-48)]
    came = examine_take(hear([babble(6), babble(6), babble(6)], passages=passages))
    assert came.best is not None
    assert came.best.track == 2
    alike = examine_take(hear([babble(6), babble(6)], passages=[level_passage(6)] * 2))
    assert alike.best is None


def test_a_track_half_silent_is_lost_and_a_hole_is_mendable(hear: Hear, babble: Babble) -> None:
    half, hole = babble(10), babble(10)
    half[RATE : 8 * RATE] = 0
    hole[5 * RATE : 5 * RATE + 480] = 0
    came = examine_take(hear([half, hole]))
    assert [v.verdict for v in came.verdicts] == ["lost", "mend"]


def test_the_worst_stands_first(hear: Hear, babble: Babble) -> None:
    track = hear([babble(1)]).tracks[0]
    kinds = (("hum", "note"), ("low_level", "note"), ("dropout", "minor"), ("clipped", "major"))
    found = [
        track.finding(kind, 0, 1, confidence=1, severity=severity, sentence="", remedy="")  # type: ignore[arg-type]
        for kind, severity in kinds
    ]
    assert [f.kind for f in worst_first(found)] == ["clipped", "dropout", "hum", "low_level"]


def test_json_lines_have_the_fields_of_the_contract(hear: Hear, babble: Babble) -> None:
    sound = babble(4)
    sound[RATE : RATE + 480] = 0
    came = examine_take(hear([sound]))
    line = finding_json(replace(came.findings[0], evidence={"x": float("nan"), "y": 1.5}))
    assert list(line)[:11] == [
        "take", "file", "track", "kind", "start_s", "end_s", "confidence", "severity", "stage", "evidence", "remedy",
    ]  # fmt: skip
    assert line["evidence"] == {"x": None, "y": 1.5}
    assert list(verdict_json(came.verdicts[0])) == ["take", "file", "track", "verdict", "reason"]
