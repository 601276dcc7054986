"""The block convolution against a slow, plain one, and the dialogue that feeds it."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import scipy.signal

from takewell.demo import Microphone, Room, SetUp, SoundField, Utterance, dialogue, voices
from takewell.demo.sound_field import BLOCK, REFERENCE_PA, spoken_pa

RATE = 48_000
SILENT = Room((4.0, 3.0, 2.5), 0.3, -200.0)
TALKERS = {"mira": (1.0, 1.0, 1.2), "tobin": (2.5, 1.2, 1.2)}
MICROPHONES = (
    Microphone("a", (1.0, 0.9, 1.0), 100, self_noise_db_spl=-200.0),
    Microphone("b", (1.7, 0.8, 1.8), 100, (1.8, 1.2, 1.2), 0.37, -200.0),
)
QUIET = SetUp("quiet", SILENT, TALKERS, MICROPHONES)


def test_blocks_equal_a_plain_convolution_across_every_seam() -> None:
    length = 2 * BLOCK + 12_345
    # One sentence lies across the first seam, one is cut off by the end.
    talk = [
        Utterance(voices()["mira"][0], BLOCK - 60_000),
        Utterance(voices()["tobin"][1], length - 90_000, 1.5),
    ]
    got = np.concatenate(list(SoundField(QUIET, RATE, [1]).blocks(talk, length, [2])))
    assert got.shape == (length, 2)
    # The responses themselves, from an impulse in the place of speech.
    for m in range(2):
        expected = np.zeros(length)
        for utterance in talk:
            dry = np.zeros(length)
            part = spoken_pa(utterance)[: length - utterance.start_samples]
            dry[utterance.start_samples : utterance.start_samples + len(part)] = part
            expected += scipy.signal.fftconvolve(dry, impulse_response(utterance.clip.voice, m))[:length]
        assert np.abs(got[:, m] - expected).max() < 2e-5 * np.abs(expected).max()


def impulse_response(voice: str, microphone: int) -> np.ndarray:
    one = np.zeros(8, np.float32)
    one[0] = 1
    click = Utterance(replace(voices()[voice][0], samples=one), 0)
    field = SoundField(QUIET, RATE, [1])
    heard = next(iter(field.blocks([click], 40_000, [3])))
    return heard[:, microphone].astype(np.float64) / float(spoken_pa(click)[0])


def test_speech_has_its_pressure_level_at_a_metre() -> None:
    # ANSI S3.5-1997, table 3: 62.3 dB for normal effort, 82.3 dB for a shout, summed over its bands.
    for effort, level_db in (("normal", 62.3), ("shout", 82.3)):
        clip = next(clip for clip in voices()["mira"] if clip.effort == effort)
        pressure = spoken_pa(Utterance(clip, 0)).astype(np.float64)
        power = np.convolve(pressure**2, np.ones(960) / 960, mode="same")
        active = pressure[power > power.max() * 10**-4.5]
        assert 20 * np.log10(np.sqrt(np.mean(active**2)) / REFERENCE_PA) == pytest.approx(level_db, abs=0.3)


def test_paths_do_not_depend_on_who_else_is_there() -> None:
    alone = SetUp("quiet", SILENT, {"mira": TALKERS["mira"]}, MICROPHONES)
    talk = [Utterance(voices()["mira"][0], 1000)]
    one = next(iter(SoundField(alone, RATE, [1]).blocks(talk, 50_000, [2])))
    two = next(iter(SoundField(QUIET, RATE, [1]).blocks(talk, 50_000, [2])))
    assert np.array_equal(one, two)


def test_dialogue_stays_inside_the_take_and_in_order() -> None:
    length = 60 * RATE
    said = dialogue(
        (voices()["edda"][0],), ("mira", "tobin", "mira!"), length, RATE, np.random.default_rng(1)
    )
    starts = [u.start_samples for u in said]
    assert said[0].clip.voice == "edda"
    assert starts == sorted(starts)
    assert starts[0] == 1.5 * RATE
    assert said[-1].end_samples <= length - 1.5 * RATE
    gaps = [(b.start_samples - a.end_samples) / RATE for a, b in pairwise(said)]
    assert min(gaps) >= 0.35
    assert max(gaps) <= 1.2
    assert [(u.clip.voice, u.clip.effort) for u in said[1:7]] == [
        ("mira", "normal"), ("tobin", "normal"), ("mira", "shout"),
    ] * 2  # fmt: skip


def test_dialogue_of_nobody_is_silent_and_of_a_stranger_an_error() -> None:
    assert dialogue((), (), RATE, RATE, np.random.default_rng(1)) == ()
    with pytest.raises(KeyError):
        list(SoundField(QUIET, RATE, [1]).blocks([Utterance(voices()["yusa"][0], 0)], 1000, [1]))


def test_parts_are_spoken_once_when_not_repeated() -> None:
    said = dialogue((), ("mira", "tobin"), 60 * RATE, RATE, np.random.default_rng(1), repeat=False)
    assert [u.clip.voice for u in said] == ["mira", "tobin"]


def test_noise_is_steady_from_the_first_sample_on() -> None:
    loud = SetUp(
        "loud",
        replace(SILENT, noise_db_spl=60.0),
        TALKERS,
        (replace(MICROPHONES[0], self_noise_db_spl=20.0),),
    )
    heard = [
        next(iter(SoundField(loud, RATE, [1]).blocks((), BLOCK, [draw])))[:, 0].astype(np.float64)
        for draw in range(40)
    ]
    # 40 draws of 10 ms at the head against the rest: some 60 independent values, 0.8 dB at one standard deviation.
    head = np.mean([np.mean(samples[:480] ** 2) for samples in heard])
    rest = np.mean([np.mean(samples[9600:] ** 2) for samples in heard])
    assert abs(10 * np.log10(head / rest)) < 2.4
    assert 10 * np.log10(rest) - 20 * np.log10(REFERENCE_PA) == pytest.approx(60, abs=0.3)
