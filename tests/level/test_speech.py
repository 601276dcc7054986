"""Who speaks when, from the levels alone."""

import itertools

import numpy as np
import pytest

from takewell.level.setting_step import step_position
from takewell.level.speech import listen, utterances
from takewell.level.spill import without_spill

RATE = 48_000


def share(mask: np.ndarray, lines: list[tuple[float, float]]) -> tuple[float, float]:
    """How much of the sentences is marked, and how much of the rest (0.1 s around sentences left out)."""
    inside, outside = np.zeros(len(mask), bool), np.ones(len(mask), bool)
    for start, end in lines:
        inside[int(start * 100) : int(end * 100)] = True
        outside[max(int(start * 100) - 10, 0) : int(end * 100) + 10] = False
    return float(mask[inside].mean()), float(mask[outside].mean())


@pytest.mark.parametrize("gain_db", [0.0, -60.0, 60.0])
@pytest.mark.parametrize("floor_db", [-75.0, -50.0])
def test_speech_is_told_from_the_room_at_any_level(sim, gain_db: float, floor_db: float) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("edda", 30)
    samples = (spoken.samples + sim.room(len(spoken.samples), floor_db)) * sim.amplitude(gain_db)
    (track,) = sim.evidence(samples)
    heard = listen(track.trace, track.settings)
    said, rest = share(heard.active, spoken.lines)
    assert said > 0.7  # sentences have gaps between their words
    assert rest < 0.01


def test_sentences_become_utterances_and_pauses_lie_between_them(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("tobin", 40)
    (track,) = sim.evidence(spoken.samples + sim.room(len(spoken.samples), -70))
    found = utterances(listen(track.trace, track.settings), 0, spoken.seconds)
    for a, b in itertools.pairwise(found):
        middle = (a.end_s + b.start_s) / 2
        assert a.end_s < b.start_s
        cut = [line for line in spoken.lines if line[0] < middle < line[1]]
        # A pause inside a sentence is a comma: nothing sounds there.
        for _ in cut:
            low, high = int((middle - 0.03) * RATE), int((middle + 0.03) * RATE)
            assert np.abs(spoken.samples[low:high]).max() < sim.amplitude(-50)


@pytest.mark.parametrize("kind", ["noise", "silence", "clicks"])
def test_where_nobody_speaks_there_are_no_utterances(sim, kind: str) -> None:  # type: ignore[no-untyped-def]
    samples = sim.room(20 * RATE, -60) if kind != "silence" else np.zeros(20 * RATE)
    if kind == "clicks":
        samples[:: 2 * RATE] += 0.3
    (track,) = sim.evidence(samples)
    assert utterances(listen(track.trace, track.settings), 0, 20) == []


def test_spill_is_not_own_speech_whatever_the_gains(sim) -> None:  # type: ignore[no-untyped-def]
    mira, tobin = sim.speak("mira", 6, seed=1), sim.speak("tobin", 6, seed=2)
    turns = [mira, tobin, mira, tobin, mira]
    own = [np.concatenate([t.samples * (t is one) for t in turns]) for one in (mira, tobin)]
    spill = sim.amplitude(-12)
    first = own[0] + spill * own[1] + sim.room(len(own[0]), -75, 1)
    second = (own[1] + spill * own[0] + sim.room(len(own[0]), -75, 2)) * sim.amplitude(-20)
    heard = [listen(t.trace, t.settings) for t in sim.evidence(np.stack([first, second], 1))]
    edges = np.cumsum([0, *(t.seconds for t in turns)])
    for number, (mine, other) in enumerate([(heard[0], heard[1]), (heard[1], heard[0])]):
        kept = without_spill(mine, [other]).own
        for turn, (start, end) in enumerate(itertools.pairwise(edges)):
            part = slice(int(start * 100) + 40, int(end * 100) - 40)
            if turn % 2 == number:
                assert kept[part].sum() > 0.95 * mine.active[part].sum()
            else:
                assert kept[part].sum() < 0.05 * mine.active[part].sum()


def test_a_boom_that_hears_both_talkers_alike_keeps_both(sim) -> None:  # type: ignore[no-untyped-def]
    mira, tobin = sim.speak("mira", 6, seed=1), sim.speak("tobin", 6, seed=2)
    turns = [mira, tobin, mira, tobin]
    own = [np.concatenate([t.samples * (t is one) for t in turns]) for one in (mira, tobin)]
    spill = sim.amplitude(-12)
    tracks = [own[0] + spill * own[1], own[1] + spill * own[0], 0.5 * (own[0] + own[1])]
    noisy = np.stack([t + sim.room(len(t), -75, i) for i, t in enumerate(tracks)], 1)
    heard = [listen(t.trace, t.settings) for t in sim.evidence(noisy)]
    boom = without_spill(heard[2], heard[:2])
    assert boom.own.sum() == boom.active.sum()


@pytest.mark.parametrize("step_db", [60.0, -60.0, 20.0, -20.0])
@pytest.mark.parametrize("error_db", [-2.0, 2.0])
def test_a_moved_setting_is_found_to_a_few_samples_even_inside_a_word(  # type: ignore[no-untyped-def]
    sim, step_db: float, error_db: float
) -> None:
    spoken = sim.speak("mira", 20)
    samples = spoken.samples + sim.room(len(spoken.samples), -80)
    levels = np.array([np.abs(samples[i : i + 480]).max() for i in range(0, len(samples), 480)])
    places = np.flatnonzero(levels > 0.05)[5::120]  # inside words
    exact = unheard = 0
    for place in places:
        at = int(place) * 480 + 137
        moved = samples.copy()
        moved[at:] *= sim.amplitude(step_db)
        (track,) = sim.evidence(moved * sim.amplitude(-step_db / 2))
        found = step_position(track, round(at / RATE, 2), step_db + error_db)
        # Where it misses, the wave should be 20 dB under what is around, so that next to nothing is heard of it.
        wrong = samples[min(found, at) : max(found, at)]
        unheard += np.abs(wrong).max(initial=0.0) <= 0.1 * np.abs(samples[at - 480 : at + 480]).max()
        exact += found == at
    assert exact >= 0.7 * len(places)
    # A 20 dB drop at the very end of a hiss is also what the end of a hiss sounds like.
    assert unheard >= (1.0 if abs(step_db) == 60 else 0.9) * len(places)


def test_the_same_setting_is_heard_on_both_sides_of_a_step(sim) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("yusa", 30)
    samples = spoken.samples + sim.room(len(spoken.samples), -80)
    at = len(samples) // 2
    moved = samples.copy()
    moved[at:] *= 1000
    (still,) = sim.evidence(samples)
    (track,) = sim.evidence(moved, moved_at_s=[at / RATE])
    one, two = listen(still.trace, still.settings), listen(track.trace, track.settings)
    differ = one.active != two.active
    # 0.1 s after a step nothing is said about speech, and what is loud around it is judged apart.
    assert differ.mean() < 0.03


@pytest.mark.parametrize(("gap_s", "expected"), [(0.15, 1), (0.2, 1), (0.4, 2)])
def test_a_closure_inside_a_word_is_no_pause(sim, gap_s: float, expected: int) -> None:  # type: ignore[no-untyped-def]
    """Closures last up to some 0.15 s (common practice, no source)."""
    rng = np.random.default_rng(1)
    voice = 0.1 * np.convolve(rng.standard_normal(RATE), np.ones(8) / 8, mode="same")
    gap = np.zeros(int(gap_s * RATE))
    samples = np.concatenate([np.zeros(2 * RATE), voice, gap, voice, np.zeros(2 * RATE)])
    (track,) = sim.evidence(samples + sim.room(len(samples), -80))
    assert len(utterances(listen(track.trace, track.settings), 0, len(samples) / RATE)) == expected
