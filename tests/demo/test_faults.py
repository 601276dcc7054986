"""Faults do the same however the take is cut into stretches, and mark what they do."""

import numpy as np
import pytest

from takewell.demo.dialogue import dialogue
from takewell.demo.faults import (
    Dead,
    Dropouts,
    Fault,
    GainMoved,
    Hum,
    Muted,
    NeverFinalised,
    NotNumbers,
    Offset,
    Shouted,
    Stretch,
    TakeClock,
    TooLow,
)

RATE = 48_000
LENGTH = 20 * RATE
CLOCK = TakeClock(RATE, LENGTH, dialogue((), ("mira", "tobin"), LENGTH, RATE, np.random.default_rng(1)))
FAULTS: list[Fault] = [
    Dead("M"),
    Dropouts("M", ((0, 0.5), 12.0), 0.1),
    GainMoved("M", (((1, 1.5), -60.0), (15.0, 60.0))),
    Hum("M", 49.97, -40.0),
    Muted("M", 3.0, 9.0),
    # The second run lies across the cut.
    NotNumbers("M", ((2, 0.5), 12.0498), 37),
    Offset("M", 0.01),
    TooLow("M", -40.0),
]


def stretch(samples: np.ndarray, start: int) -> Stretch:
    return Stretch(samples, start, CLOCK, np.random.default_rng(0))


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: type(fault).__name__)
def test_two_stretches_equal_the_whole(fault: Fault) -> None:
    sound = (0.1 * np.random.default_rng(2).standard_normal(LENGTH)).astype(np.float32)
    cut = round(12.05 * RATE)
    for act in (fault.at_input, fault.in_float, fault.in_safety, fault.setting_db):
        whole = act(stretch(sound, 0))
        parts = [act(stretch(sound[:cut], 0)), act(stretch(sound[cut:], cut))]
        assert np.array_equal(whole, np.concatenate(parts), equal_nan=True)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: type(fault).__name__)
def test_sound_handed_in_is_not_changed(fault: Fault) -> None:
    sound = np.full(LENGTH, 0.25, np.float32)
    for act in (fault.at_input, fault.in_float, fault.in_safety, fault.setting_db):
        act(stretch(sound, 0))
    assert (sound == 0.25).all()


def test_moments_in_sentences_and_pauses() -> None:
    first, second = CLOCK.lines[:2]
    assert CLOCK.at(2.5) == 120_000
    assert CLOCK.at((0, 0.0)) == first.start_samples
    assert CLOCK.at((0, 1.0)) == first.end_samples
    assert CLOCK.at((0, 2.0)) == second.start_samples
    assert CLOCK.at((0, 1.5)) == pytest.approx((first.end_samples + second.start_samples) / 2, abs=1)
    assert CLOCK.at((len(CLOCK.lines) - 1, 2.0)) == LENGTH


def test_marks_of_a_moved_gain_fill_its_passages() -> None:
    marks = GainMoved("M", ((5.0, -60.0), (10.0, 60.0), (15.0, 0.0))).marks(CLOCK)
    stated = {(m.target, m.kind, m.start_samples // RATE, m.end_samples // RATE) for m in marks}
    assert stated == {
        ("iso", "low_level", 5, 10), ("safety", "low_level", 5, 10),
        ("iso", "high_level", 10, 15), ("safety", "clipped", 10, 15),
    }  # fmt: skip


def test_a_shout_clips_only_what_has_a_word_length() -> None:
    marks = Shouted("M", 0, 1, in_mix=True).marks(CLOCK)
    assert {(m.target, m.kind) for m in marks} == {
        ("iso", "over_full_scale"),
        ("safety", "clipped"),
        ("mix", "clipped"),
    }
    assert {m.target for m in NeverFinalised().marks(CLOCK)} == {"file"}
