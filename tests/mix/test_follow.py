"""One voice on two microphones: which one, when and why, against damage that was put there."""

import numpy as np
import pytest

from takewell.errors import SettingError
from takewell.mix import MixSettings, mix, sentences
from takewell.mix.follow import CHANGE, Decision, Utterance, Voice, decided
from takewell.roll import Examination, Finding, Logbook
from takewell.wave import open_audio

RATE = 48_000
LATE = 150
NOISY_S = (20.0, 32.0)


def finding(track: int, start: float, end: float, kind: str, severity: str = "major") -> Finding:
    return Finding("7-1", "7-1.wav", track, kind, start, end, 1.0, severity, None, {}, "")  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def voice(talk):  # type: ignore[no-untyped-def]
    """A boom, and a lavalier that hears the same earlier, upside down and 5 dB louder; the boom is noisy in the middle."""
    dry, turns = talk([0] * 14, ("mira",))
    rng = np.random.default_rng(6)
    boom = np.roll(dry[:, 0], LATE) + 10 ** (-72 / 20) * rng.standard_normal(len(dry))
    lav = -(10 ** (5 / 20)) * dry[:, 0] + 10 ** (-70 / 20) * rng.standard_normal(len(dry))
    return np.stack([boom, lav], axis=1), turns


def damaged(roll, *findings):  # type: ignore[no-untyped-def]
    with Logbook(roll.folder) as logbook:
        logbook.save_examination(Examination(findings, ()))


def test_the_preferred_microphone_has_the_voice_while_nothing_speaks_against_it(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    roll = make_roll(voice[0], ["Boom", "Lav Mira"])
    (done,) = mix(roll, MixSettings(follow=((1, 2),)))
    assert [(choice.track, choice.start_s) for choice in done.choices] == [(1, 0.0)]
    assert done.choices[0].reason == "Boom: it comes first and nothing speaks against it."
    (other,) = mix(roll, MixSettings(follow=((2, 1),)))
    assert [choice.track for choice in other.choices] == [2]
    assert [c.kind for c in done.contributions] == ["voice"]


def test_damage_hands_the_voice_over_and_back_in_pauses_lined_up_and_at_one_level(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    samples, turns = voice
    roll = make_roll(samples, ["Boom", "Lav Mira"])
    damaged(roll, finding(1, *NOISY_S, "wind"))
    (done,) = mix(roll, MixSettings(follow=((1, 2),)), encoding="float32")
    assert [choice.track for choice in done.choices] == [1, 2, 1]
    assert "Boom has damage there (wind)" in done.choices[1].reason
    for choice in done.choices[1:]:
        middle = round((choice.start_s + choice.fade_s / 2) * RATE)
        assert not any(start < middle < end for _, start, end in turns), "a change lies in a pause"
    there, back = done.choices[1].start_s, done.choices[2].start_s
    assert there < NOISY_S[0] + 4
    assert back > NOISY_S[1] - 4
    row = {one.track: one for one in done.lined_up}
    assert round(row[2].delay_ms * RATE / 1000) == LATE
    assert {one.turned_over for one in done.lined_up} == {True, False}
    with open_audio(done.target) as audio:
        mixed = np.asarray(audio.read(0, audio.info.length_samples), np.float64)[:, 0]
    boom = samples[:, 0] * 10 ** (done.gain_db / 20)
    away = mixed - boom if abs(mixed[: 5 * RATE] - boom[: 5 * RATE]).max() < 1e-3 else mixed + boom
    # Lined up, turned and matched, the lavalier gives the boom's own sound: what is left is both noises and the match's error.
    for _, start, end in turns:
        error = np.sqrt(np.mean(away[start:end] ** 2)) / np.sqrt(np.mean(boom[start:end] ** 2))
        assert 20 * np.log10(error + 1e-12) < -26


def test_groups_and_tracks_that_are_not_there_are_refused(make_roll, voice) -> None:  # type: ignore[no-untyped-def]
    roll = make_roll(np.hstack([voice[0], voice[0]]), ["Boom", "Lav Mira", "Pair L", "Pair R"])
    with pytest.raises(
        SettingError,
        match="no ISO 9 to follow a voice on; its ISOs are 1 Boom, 2 Lav Mira, 3 Pair L, 4 Pair R",
    ):
        mix(roll, MixSettings(follow=((1, 9),)))
    with pytest.raises(SettingError, match="in two voices"):
        mix(roll, MixSettings(follow=((1, 2), ("Boom", "Lav Mira"))))
    # By names, a voice is followed where its tracks are, and nothing is wrong elsewhere.
    assert mix(roll, MixSettings(follow=(("boom", "Lav Tobin"),)))[0].choices == ()
    assert mix(roll, MixSettings(follow=(("boom", "lav mira"),)))[0].choices[0].track == 1
    with pytest.raises(SettingError, match="track 3 of take 7-1 is part of a group"):
        mix(roll, MixSettings(follow=((1, 3),)))


def utterance(start: int, costs: tuple[float, float], over: tuple[float, float] = (40, 40)) -> Utterance:
    return Utterance(start, start + 100, over, ("", ""), (0.0, 0.0), costs)


def test_nothing_changes_for_a_word_that_costs_less_than_two_changes() -> None:
    names, speech = ("Boom", "Lav"), np.zeros(3000, np.float32)
    rows = [utterance(200 * k, (0.0, 1.0)) for k in range(12)]
    rows[5] = utterance(1000, (1.0 + 2 * CHANGE - 0.1, 1.0))
    assert len(decided(rows, names, speech)) == 1
    rows[5] = utterance(1000, (1.0 + 2 * CHANGE + 2.1, 1.0))
    assert [one.microphone for one in decided(rows, names, speech)] == [0, 1, 0]


def test_the_way_is_the_cheapest_of_all() -> None:
    """Against every one of the 2^8 ways."""
    rng = np.random.default_rng(5)
    for _ in range(20):
        costs = rng.uniform(0, 8, (8, 2))
        rows = [utterance(200 * k, tuple(row)) for k, row in enumerate(costs)]  # type: ignore[arg-type]
        found = decided(rows, ("Boom", "Lav"), np.zeros(2000, np.float32))
        path = [
            max((d for d in found if d.start <= row.start), key=lambda d: d.start).microphone for row in rows
        ]
        ways = [[code >> k & 1 for k in range(8)] for code in range(256)]

        def price(way, costs=costs):  # type: ignore[no-untyped-def]
            return sum(costs[k, w] for k, w in enumerate(way)) + CHANGE * sum(np.diff(way) != 0)

        assert price(path) == pytest.approx(min(map(price, ways)))


def test_noise_is_a_reason_and_is_said_in_decibels() -> None:
    rows = [utterance(0, (8.0, 1.0), (8, 34))]
    (only,) = decided(rows, ("Boom", "Lav"), np.zeros(300, np.float32))
    assert only.reason == "Lav: its speech lies 34 dB over its noise, Boom's 8 dB."


def test_gains_of_a_change_keep_the_power_and_end_at_one() -> None:
    decisions = (Decision(0, 0, 0, ""), Decision(100, 20, 1, "", correlation=0.0))
    gains = Voice(decisions, (0.0, 0.0)).gains(0, 200)
    assert gains[:100].tolist() == [[1, 0]] * 100
    assert gains[120:].tolist() == [[0, 1]] * 80
    assert gains.sum(axis=1) == pytest.approx(1.0)
    parts = [Voice(decisions, (0.0, 0.0)).gains(a, b) for a, b in ((0, 90), (90, 111), (111, 200))]
    assert np.array_equal(np.concatenate(parts), gains)


def test_silence_has_nobody_to_follow(make_roll) -> None:  # type: ignore[no-untyped-def]
    roll = make_roll(np.zeros((3 * RATE, 2)), ["Boom", "Lav Mira"])
    (done,) = mix(roll, MixSettings(follow=((1, 2),)))
    assert done.choices[0].reason == "Boom: nobody speaks."
    assert any("nobody speaks" in sentence for sentence in sentences(done))
