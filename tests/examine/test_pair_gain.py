"""The gain between two copies is followed to a tenth of a decibel; limiter, rail and noise are told from a moved gain."""

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine.evidence import TakeEvidence
from takewell.examine.examination import examine_take
from takewell.examine.late_twins import find_late_twins
from takewell.examine.other_takes import offset_between
from takewell.examine.pair_gain import follow_gain
from twin_recordings import late, noise, voice

RATE = 48_000
Hear = Callable[..., TakeEvidence]
F64 = NDArray[np.float64]


def gains_over_time(n: int, steps: list[tuple[float, float]]) -> F64:
    gain_db = np.zeros(n)
    for at_s, value in steps:
        gain_db[round(at_s * RATE) :] = value
    return 10 ** (gain_db / 20)


@pytest.mark.parametrize("own_noise_dbfs", [-120.0, -80.0])
def test_every_move_of_the_gain_is_found_within_a_tenth_of_a_decibel(
    hear: Hear, own_noise_dbfs: float
) -> None:
    sound = voice(16)
    steps = [(0.0, -20.0), (4.5, -14.0), (9.3, -14.6), (12.1, 3.5)]
    copy = sound * gains_over_time(len(sound), steps) + noise(len(sound), own_noise_dbfs, 3)
    heard = hear([sound + noise(len(sound), own_noise_dbfs, 4), copy], roles=["iso", "safety"])
    followed = follow_gain(heard.tracks[0].trace, heard.tracks[1].trace)
    assert followed is not None
    assert [s.gain_db for s in followed.settings] == pytest.approx([gain for _, gain in steps], abs=0.1)
    if (
        own_noise_dbfs < -100
    ):  # else a move in a pause is drowned by the copy's own noise, and cannot be placed in it
        assert [s.start_s for s in followed.settings[1:]] == pytest.approx(
            [at for at, _ in steps[1:]], abs=0.05
        )
    assert followed.held == ()


def limited(sound: F64, threshold: float, ratio: float) -> F64:
    """A textbook feed-forward limiter: instant attack, release with a time constant of 100 ms."""
    keep = float(np.exp(-1 / (0.1 * RATE)))
    over_db = np.maximum(20 * np.log10(np.maximum(np.abs(sound), 1e-9) / threshold), 0) * (1 - 1 / ratio)
    state, reduction = 0.0, np.empty(len(sound))
    for k, value in enumerate(over_db.tolist()):
        state = max(value, state * keep)
        reduction[k] = state
    return np.asarray(sound * 10 ** (-reduction / 20))


def test_a_limiter_on_the_copy_is_told_and_is_no_moved_gain(hear: Hear) -> None:
    sound = voice(12)
    sound[5 * RATE : 7 * RATE] *= 3
    copy = limited(0.3 * sound, 0.3 * np.abs(sound[: 5 * RATE]).max() * 1.05, 20)
    copy = 10 ** (-6 / 20) * copy
    came = examine_take(hear([sound, copy], roles=["iso", "safety"]))
    assert [f.kind for f in came.findings if f.kind == "gain_moved"] == []
    (found,) = [f for f in came.findings if f.kind == "limited" and f.evidence.get("other_track") == 1]
    assert found.track == 2
    assert found.start_s >= 4.9
    assert found.end_s <= 7.3
    assert 2 < float(found.evidence["held_back_db"] or 0) < 10
    better = {p.state: p.serves for p in came.pairs[0].passages}
    assert better["limited"] == 1


def test_a_gain_moved_on_the_copy_is_a_remark_on_it(hear: Hear) -> None:
    sound = voice(12)
    came = examine_take(
        hear([sound, sound * gains_over_time(len(sound), [(0, -10), (6, -4)])], roles=["iso", "safety"])
    )
    (found,) = [f for f in came.findings if f.kind == "gain_moved"]
    assert (found.track, found.severity) == (2, "note")
    assert found.sentence.endswith("moves: +6.0 dB at 0:06") or found.sentence.endswith(
        "moves: +6.0 dB at 0:05"
    )


@pytest.mark.parametrize(("noisy", "serves"), [(1, 1), (0, 2)])
def test_where_both_are_whole_the_one_with_less_noise_of_its_own_serves_better(
    hear: Hear, noisy: int, serves: int
) -> None:
    tracks = [voice(12), 0.25 * voice(12)]
    tracks[noisy] = tracks[noisy] + noise(len(tracks[0]), -70, 6)
    (pair,) = examine_take(hear(tracks, roles=["iso", "safety"])).pairs
    assert [p.serves for p in pair.passages] == [serves]
    assert pair.gain_db == pytest.approx(20 * np.log10(0.25), abs=0.1)


def test_copies_that_differ_in_gain_alone_serve_alike_and_nothing_is_found(hear: Hear) -> None:
    came = examine_take(
        hear([voice(12), 0.25 * voice(12)], roles=["iso", "safety"], encodings=["float32", "int24"])
    )
    assert [p.serves for p in came.pairs[0].passages] == [0]
    assert [f.kind for f in came.findings if f.kind in ("gain_moved", "limited")] == []


def test_the_damaged_one_does_not_serve(hear: Hear) -> None:
    sound = voice(12)
    mute = sound.copy()
    mute[4 * RATE : 6 * RATE] = 0
    (pair,) = examine_take(hear([mute, sound], roles=["iso", "safety"])).pairs
    assert [(round(p.start_s), round(p.end_s), p.serves) for p in pair.passages] == [
        (0, 4, 0),
        (4, 6, 2),
        (6, 12, 0),
    ]


@pytest.mark.parametrize("delay_ms", [2.9, 17.3])
def test_a_copy_behind_a_link_is_a_twin_with_the_links_latency(hear: Hear, delay_ms: float) -> None:
    sound = voice(8)
    linked = 0.5 * late(sound, delay_ms * RATE / 1000) + noise(len(sound), -75, 8)
    heard = hear([sound, linked])
    ((track, twin),) = find_late_twins(heard.tracks, set())
    assert (track.track.number, twin.other.track.number) == (1, 2)
    assert twin.lag_samples == pytest.approx(delay_ms * RATE / 1000, abs=1)
    assert twin.gain_db == pytest.approx(-6.02, abs=0.1)


def test_two_microphones_on_one_voice_are_no_copies_however_late(
    hear: Hear, rng: np.random.Generator
) -> None:
    tail = rng.standard_normal(9_600) * np.exp(-np.arange(9_600) / 1_400)
    tail *= 0.5 / np.sqrt(np.sum(tail**2))
    tail[240] += 1
    sound = voice(8)
    assert find_late_twins(hear([sound, np.convolve(sound, tail)[: len(sound)]]).tracks, set()) == []


def test_another_recorders_offset_and_drift_come_out_to_a_tenth_of_a_sample(hear: Hear) -> None:
    sound = voice(24)
    # The other recorder began 2.3456 s earlier and its clock runs 14 ppm fast.
    ahead = round(2.3456 * RATE)
    other = 0.5 * late(np.concatenate([voice(3, seed=8)[:ahead], sound]), 0.37, 14.0)
    one, two = (hear([x]).tracks[0] for x in (sound, other))
    lies = offset_between(one, two)
    assert lies is not None
    assert lies.drift_ppm == pytest.approx(14.0, abs=0.2)
    for at_s in (1.0, 12.0, 23.0):
        heard_at = (ahead / RATE + at_s) * (1 + 14e-6) + 0.37 / RATE
        told = lies.delay_s + at_s * (1 + lies.drift_ppm * 1e-6)
        assert told == pytest.approx(heard_at, abs=0.1 / RATE)
    assert lies.gain_db == pytest.approx(-6.02, abs=0.1)


def test_another_sound_at_the_same_time_is_no_pair(hear: Hear) -> None:
    one, two = (hear([voice(20, seed=seed)]).tracks[0] for seed in (5, 31))
    assert offset_between(one, two) is None
