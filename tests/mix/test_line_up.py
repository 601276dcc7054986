"""Microphones that would comb are lined up, by delays that are known because they were put there."""

import numpy as np
import pytest

from takewell.measure.arrival import Arrival
from takewell.mix import MixSettings, mix, sentences
from takewell.mix.line_up import Joint, agreeing, lined_up
from takewell.wave import open_audio

RATE = 48_000
BOOM_LATE, SPILL_LATE = (120, 170), 300


@pytest.fixture(scope="module")
def samples(talk):  # type: ignore[no-untyped-def]
    """Two lavaliers, each with the other's talker 14 dB down and late, and a boom that hears both later still."""
    dry, turns = talk([0, 1, 0, 1, 0, 1], ("mira", "tobin"))
    rng = np.random.default_rng(3)
    tracks = 1e-4 * rng.standard_normal((len(dry), 3))
    for k in range(2):
        tracks[:, k] += dry[:, k] + 0.2 * np.roll(dry[:, 1 - k], SPILL_LATE)
        tracks[:, 2] -= 0.9 * np.roll(dry[:, k], BOOM_LATE[k])  # and upside down
    return tracks, turns


def delays(done):  # type: ignore[no-untyped-def]
    return {row.track: (row.delay_ms * RATE / 1000, row.turned_over) for row in done.lined_up}


def test_each_lavalier_waits_for_the_boom_and_what_stands_upside_down_is_turned(make_roll, samples) -> None:  # type: ignore[no-untyped-def]
    roll = make_roll(samples[0], ["Lav Mira", "Lav Tobin", "Boom"])
    (done,) = mix(roll)
    found = delays(done)
    assert {track: round(delay) for track, (delay, _) in found.items()} == {1: 120, 2: 170, 3: 0}
    assert [turned for _, turned in found.values()] == [False, False, True]
    said = " ".join(sentences(done))
    assert "Lav Mira comes 2.50 ms later, lined up with Boom" in said
    assert "Boom was turned over" in said
    # Shared by talker, the boom is closed while a lavalier has its talker: nothing combs, and nothing waits.
    assert mix(roll, MixSettings(by="talker"))[0].lined_up == ()


def test_lined_up_microphones_do_not_comb(make_roll, samples) -> None:  # type: ignore[no-untyped-def]
    """A talker who is on two microphones 2.5 ms apart has notches at odd multiples of 200 Hz (upside down: at the even ones)."""
    tracks, turns = samples
    roll = make_roll(tracks, ["Lav Mira", "Lav Tobin", "Boom"])
    depth = {}
    for line_up in (True, False):
        (done,) = mix(roll, MixSettings(line_up=line_up), encoding="float32")
        with open_audio(done.target) as audio:
            mixed = np.asarray(audio.read(0, audio.info.length_samples), np.float64)[:, 0]
        talker, start, end = turns[0]
        voice = tracks[start:end, talker]
        heard = mixed[start : end + 200]
        spectrum = np.abs(np.fft.rfft(heard, 1 << 18)) / np.maximum(np.abs(np.fft.rfft(voice, 1 << 18)), 1e-3)
        hertz = np.fft.rfftfreq(1 << 18, 1 / RATE)
        # Polarity turned, the notches of an untreated sum lie at whole multiples of 400 Hz, its crests half-way between.
        ripple = [
            np.median(spectrum[np.abs(hertz - (k + half) * 400) < 40])
            for half in (0.0, 0.5)
            for k in range(2, 7)
        ]
        depth[line_up] = 20 * np.log10(np.mean(ripple[5:]) / np.mean(ripple[:5]))
    assert depth[False] > 4.0
    assert abs(depth[True]) < 1.0


def test_as_recorded_means_no_delay(make_roll, samples) -> None:  # type: ignore[no-untyped-def]
    (done,) = mix(make_roll(samples[0], ["Lav Mira", "Lav Tobin", "Boom"]), MixSettings(line_up=False))
    assert done.lined_up == ()


def joint(
    leader: int, other: int, delay: int, cross: float, *, sure: bool = True, polarity: int = 1
) -> Joint:
    return Joint(leader, other, Arrival(delay, polarity, 20.0, 12, sure), cross)


def test_two_lavaliers_that_hear_each_others_talker_late_are_left_alone() -> None:
    assert agreeing([joint(0, 1, 140, 1.0), joint(1, 0, 140, 0.9)], RATE) == []


def test_a_pair_that_tells_the_same_both_ways_is_joined_once() -> None:
    both = agreeing([joint(0, 1, 140, 1.0), joint(1, 0, -139, 0.9)], RATE)
    found = lined_up(2, both)
    assert (found.delays, len(found.joints)) == ((140, 0), 1)


def test_the_stronger_direction_wins_and_an_unsure_one_joins_nothing() -> None:
    assert len(agreeing([joint(0, 1, 140, 1.0), joint(1, 0, 300, 0.3)], RATE)) == 1
    assert agreeing([joint(0, 1, 140, 1.0), joint(1, 0, 300, 0.5, sure=False)], RATE) == []
    assert agreeing([joint(0, 1, 140, 1.0, sure=False)], RATE) == []


def test_joints_add_up_along_a_chain_and_the_last_to_hear_stays() -> None:
    found = lined_up(4, [joint(0, 1, 100, 3.0), joint(1, 2, 50, 2.0, polarity=-1), joint(0, 2, 999, 1.0)])
    assert found.delays == (150, 50, 0, 0)
    assert found.polarities == (1, 1, -1, 1)
