"""Reversed and doubled tracks are told, safety copies are not; a mix is held against its ISOs sample by sample."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.evidence import TakeEvidence
from takewell.examine.examination import examine_take
from takewell.examine.mix_content import find_mix_content

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def kinds(heard: TakeEvidence) -> list[tuple[int, str, str]]:
    return [
        (f.track, f.kind, f.severity)
        for f in examine_take(heard).findings
        if f.kind in ("reversed_polarity", "doubled_track")
    ]


def test_a_reversed_copy_is_told_on_the_later_track(hear: Hear, babble: Babble) -> None:
    sound = babble(8)
    heard = hear([sound, -0.5 * sound], roles=["iso", "safety"], encodings=["float32", "int24"])
    assert kinds(heard) == [(2, "reversed_polarity", "minor")]


def test_one_signal_under_two_names_is_doubled(hear: Hear, babble: Babble) -> None:
    sound = babble(8)
    assert kinds(hear([sound, sound], names=["Ada", "Ben"])) == [(2, "doubled_track", "minor")]
    assert kinds(hear([sound, 0.1 * sound], names=["Ada", "Ben"])) == [(2, "doubled_track", "note")]


def test_a_safety_copy_and_a_mix_of_two_equal_sides_are_no_doubles(hear: Hear, babble: Babble) -> None:
    sound = babble(8)
    assert kinds(hear([sound, 0.1 * sound], roles=["iso", "safety"])) == []
    assert kinds(hear([sound, sound], roles="mix")) == []


def labelled(heard: TakeEvidence, copy_of: dict[int, int]) -> TakeEvidence:
    tracks = tuple(
        replace(t, track=replace(t.track, copy_of=copy_of.get(t.track.number))) for t in heard.tracks
    )
    return replace(heard, tracks=tracks)


def swapped(heard: TakeEvidence) -> list[tuple[int, object]]:
    return [
        (f.track, f.evidence["other_track"])
        for f in examine_take(heard).findings
        if f.kind == "swapped_track"
    ]


def test_copies_labelled_the_other_way_round_are_told_on_both(hear: Hear, babble: Babble) -> None:
    one, two = babble(8), np.roll(babble(8), 3 * RATE)
    heard = hear([one, two, 0.5 * two, 0.5 * one], roles=["iso", "iso", "safety", "safety"])
    assert swapped(labelled(heard, {3: 1, 4: 2})) == [(3, 2), (4, 1)]
    assert swapped(labelled(heard, {3: 2, 4: 1})) == []
    assert swapped(heard) == []


def test_two_capsules_at_one_point_are_no_double(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    # The same field, each capsule with its own treble (1 dB apart at 12 kHz) and its own noise 45 dB down.
    sound = babble(8)
    other = np.convolve(sound, [0.03, 0.94, 0.03], mode="same")
    other += sound.std() * 10 ** (-45 / 20) * rng.standard_normal(len(sound))
    assert kinds(hear([sound, other], names=["Pair L", "Pair R"])) == []


def talkers(babble: Babble, seconds: int = 24) -> list[F64]:
    """Return three talkers who speak one after another, each also heard 15 dB down in the others' microphones."""
    said = []
    for k in range(3):
        own = babble(seconds) - babble(seconds).mean()
        turn = (np.arange(seconds * RATE) // (4 * RATE)) % 3 == k
        said.append(np.roll(own, 7_001 * k) * np.where(turn, 1.0, 1e-3))
    return [said[k] + 0.18 * sum(said[j] for j in range(3) if j != k) for k in range(3)]


def test_a_mix_that_lacks_a_leading_track_is_told(hear: Hear, babble: Babble) -> None:
    isos = talkers(babble)
    mix = 0.5 * isos[0] + 0.4 * isos[2]
    found = find_mix_content(hear([*isos, mix], roles=["iso", "iso", "iso", "mix"], encodings="int24"))
    assert [(f.track, f.kind, f.evidence["missing_track"]) for f in found] == [(4, "mix_lacks_track", 2)]


@pytest.mark.parametrize("weight", [1.0, 0.3, 0.05])
def test_a_mix_with_every_track_in_it_is_nothing_to_tell(hear: Hear, babble: Babble, weight: float) -> None:
    isos = talkers(babble)
    mix = 0.5 * isos[0] + weight * isos[1] + 0.4 * isos[2]
    assert find_mix_content(hear([*isos, mix], roles=["iso", "iso", "iso", "mix"], encodings="int24")) == []


def test_a_mix_that_no_weights_explain_is_left_alone(hear: Hear, babble: Babble) -> None:
    isos = talkers(babble)
    mix = np.roll(0.5 * isos[0] + 0.4 * isos[2], 960)
    assert find_mix_content(hear([*isos, mix], roles=["iso", "iso", "iso", "mix"])) == []
