"""A track that holds nothing is told, with judgement by name and role; a quiet room is not."""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from takewell.examine.dead_track import find_dead_tracks
from takewell.examine.evidence import TakeEvidence

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]
Babble = Callable[..., F64]


def test_zeros_from_end_to_end_on_a_named_iso_are_major(hear: Hear, babble: Babble) -> None:
    found = find_dead_tracks(hear([babble(5), np.zeros(5 * RATE)], names=["Boom", "Ada"]))
    assert [(f.track, f.severity, f.confidence) for f in found] == [(2, "major", 1.0)]
    assert found[0].sentence == "digital silence from end to end"


def test_an_unnamed_one_is_a_note_and_one_marked_unused_is_nothing(hear: Hear, babble: Babble) -> None:
    arrays = [babble(5), np.zeros(5 * RATE), np.zeros(5 * RATE)]
    found = find_dead_tracks(hear(arrays, names=["Boom", "", "Tr 3"], roles=["iso", "iso", "unused"]))
    assert [(f.track, f.severity) for f in found] == [(2, "note")]


def test_one_value_from_end_to_end_is_dead(hear: Hear, babble: Babble) -> None:
    found = find_dead_tracks(hear([babble(5), np.full(5 * RATE, 2.0**-10)]))
    assert [f.track for f in found] == [2]
    assert "one value" in found[0].sentence


def test_a_preamplifiers_noise_beside_live_neighbours_is_dead(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    noise = 10 ** (-82 / 20) * rng.standard_normal(10 * RATE)
    found = find_dead_tracks(hear([babble(10), noise]))
    assert [f.track for f in found] == [2]
    assert found[0].confidence < 1


def test_the_same_noise_in_a_room_tone_is_not_dead(hear: Hear, rng: np.random.Generator) -> None:
    noises = [10 ** (-82 / 20) * rng.standard_normal(10 * RATE) for _ in range(2)]
    assert find_dead_tracks(hear(noises, kind="room_tone")) == []
    assert find_dead_tracks(hear(noises)) == []


def test_a_passage_sixty_decibels_low_is_not_dead(hear: Hear, babble: Babble) -> None:
    assert find_dead_tracks(hear([babble(10), 10 ** (-60 / 20) * babble(10)])) == []


def test_an_atmosphere_microphone_with_a_steady_room_is_not_dead(
    hear: Hear, babble: Babble, rng: np.random.Generator
) -> None:
    room = 10 ** (-55 / 20) * rng.standard_normal(10 * RATE)
    assert find_dead_tracks(hear([babble(10), room])) == []


def test_a_tone_is_not_dead(hear: Hear, babble: Babble) -> None:
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(10 * RATE) / RATE)
    assert find_dead_tracks(hear([babble(10), tone])) == []
