"""Rails: at full scale, below it, above it, turned down afterwards; and what only looks like one."""

import itertools

import numpy as np
import pytest

from takewell.demo.speech import voices
from takewell.engine import Meter

RATE = 48_000


def clips(samples, encoding="float32", rate=RATE):
    meter = Meter(rate, 1, encoding=encoding)
    meter.add(np.asarray(samples, np.float32)[:, None])
    return meter.finish().tracks[0].clips


def stored(samples, bits, seed=0):
    """Samples as an integer file holds them: triangular dither, rounded, held inside the word."""
    step = 2.0 ** (1 - bits)
    rng = np.random.default_rng(seed)
    dither = rng.uniform(-0.5, 0.5, len(samples)) + rng.uniform(-0.5, 0.5, len(samples))
    return np.clip(np.rint(samples / step + dither), -(2 ** (bits - 1)), 2 ** (bits - 1) - 1) * step


@pytest.fixture(scope="module")
def voice():
    """Half a minute of speech with a peak of 1."""
    clip = next(iter(voices(RATE).values()))
    samples = np.concatenate([part.samples for part in clip])[: 30 * RATE].astype(np.float64)
    return samples / np.abs(samples).max()


def flat_samples(samples, level):
    return int(np.sum(np.abs(np.abs(samples) - level) < 1e-6 * level))


@pytest.mark.parametrize("drive_db", [1, 3, 6, 12])
@pytest.mark.parametrize("level", [0.05, 0.4, 1.0, 8.0])
def test_speech_cut_at_a_rail_is_found_in_a_float_file_at_any_level(voice, drive_db, level):
    cut = np.clip(voice * 10 ** (drive_db / 20), -1, 1) * level
    found = clips(cut)
    assert found
    assert {clip.shape for clip in found} == {"full_scale" if level == 1.0 else "rail"}
    for clip in found:
        assert clip.level_dbfs == pytest.approx(20 * np.log10(level), abs=0.001)
    inside = np.zeros(len(cut), bool)
    for clip in found:
        inside[round(clip.start_s * RATE) : round(clip.end_s * RATE)] = True
    at_rail = np.abs(np.abs(cut) - level) < 1e-6 * level
    assert np.sum(at_rail & inside) > 0.9 * np.sum(at_rail)


@pytest.mark.parametrize(("bits", "encoding"), [(16, "int16"), (24, "int24")])
def test_speech_cut_by_the_word_is_found_at_full_scale(voice, bits, encoding):
    found = clips(stored(voice * 2, bits), encoding)
    assert found
    assert {clip.shape for clip in found} == {"full_scale"}


@pytest.mark.parametrize(
    ("bits", "encoding", "down_db"), [(24, "int24", 6), (24, "int24", 30), (16, "int16", 6)]
)
def test_speech_cut_and_turned_down_is_a_rail(voice, bits, encoding, down_db):
    gain = 10 ** (-down_db / 20)
    found = clips(stored(np.clip(voice * 2, -1, 1) * gain, bits), encoding)
    assert found
    assert {clip.shape for clip in found} == {"rail"}
    assert np.median([clip.level_dbfs for clip in found]) == pytest.approx(-down_db, abs=0.01)


def test_a_rail_on_one_side_is_found_below_the_other_sides_peaks(voice):
    top = voice.max() * 0.5
    found = clips(np.minimum(voice, top))
    assert found
    assert [clip.level_dbfs for clip in found] == pytest.approx([20 * np.log10(top)] * len(found), abs=1e-4)


@pytest.mark.parametrize("gain_db", [-60, -20, 0, 60])
@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
def test_whole_speech_has_no_rail(voice, gain_db, encoding):
    samples = voice * 10 ** ((gain_db - 0.1) / 20)
    if encoding != "float32":
        samples = stored(samples * min(1.0, 10 ** (-gain_db / 20)), 24 if encoding == "int24" else 16)
    assert clips(samples, encoding) == ()


@pytest.mark.parametrize("hz", [20, 50, 100, 440, 1_000, 3_000, 8_000, 12_000, 16_000])
@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
def test_whistles_and_hum_are_no_clips(hz, encoding):
    tone = 0.8 * np.sin(2 * np.pi * hz * np.arange(3 * RATE) / RATE + 0.1)
    assert (
        clips(tone if encoding == "float32" else stored(tone, 24 if encoding == "int24" else 16), encoding)
        == ()
    )


@pytest.mark.parametrize("peak", [0.3, 1.0])
@pytest.mark.parametrize("hz", [61.0, 220.0, 997.0])
@pytest.mark.parametrize("duty", [0.5, 0.2])
def test_a_square_tone_is_never_called_clipped(peak, hz, duty):
    phase = (hz * np.arange(3 * RATE) / RATE) % 1
    square = np.where(phase < duty, peak, -peak)
    assert {clip.shape for clip in clips(square)} <= {"undecided"}


@pytest.mark.parametrize("drive", [3.0, 8.0])
def test_a_rounded_or_trapezoid_tone_below_full_scale_is_never_called_clipped(drive):
    sine = np.sin(2 * np.pi * 220 * np.arange(3 * RATE) / RATE)
    for tone in (0.5 * np.tanh(drive * sine), 0.5 * np.clip(drive * sine, -1, 1)):
        assert {clip.shape for clip in clips(tone)} <= {"undecided"}


@pytest.mark.parametrize("drive_db", [1, 3, 6])
def test_a_test_tone_over_full_scale_is_clipped(drive_db):
    tone = stored(10 ** (drive_db / 20) * np.sin(2 * np.pi * 997 * np.arange(2 * RATE) / RATE), 24)
    (clip,) = clips(tone, "int24")
    assert clip.shape == "full_scale"
    assert clip.start_s < 0.01
    assert clip.end_s == pytest.approx(2, abs=0.01)


def test_offset_silence_and_a_held_sample_are_no_clips(voice):
    held = voice.copy()
    held[100_000:100_500] = held[100_000]
    for samples in (np.full(RATE, 0.5), np.zeros(RATE), held):
        assert clips(samples) == ()


def test_cuts_less_than_ten_milliseconds_apart_are_one():
    wave = 0.5 * np.sin(2 * np.pi * 300 * np.arange(2 * RATE) / RATE + np.random.default_rng(1).uniform(0, 6))
    wave *= np.interp(
        np.arange(2 * RATE), np.arange(0, 2 * RATE, 2_000), np.random.default_rng(2).uniform(0.2, 1.4, 48)
    )
    cut = np.clip(wave, -0.5, 0.5)
    found = clips(cut)
    runs = np.flatnonzero(np.abs(cut) == 0.5) / RATE
    assert found
    for before, after in itertools.pairwise(found):
        assert after.start_s - before.end_s > 0.01
    assert found[0].start_s == pytest.approx(runs[0], abs=0.005)


def test_more_clips_than_can_be_listed_are_joined():
    # A hundred cut crests a second for four minutes: every 80th of a second one, more than 10 ms after the one before.
    seconds = 240
    crest = np.zeros(RATE // 80)
    crest[100:140] = 0.5 * np.hanning(40)
    crest[110:130] = 0.5 * np.hanning(40)[10]
    meter = Meter(RATE, 1, encoding="float64")
    for _ in range(seconds // 10):
        meter.add(np.tile(crest, 800)[:, None])
    track = meter.finish().tracks[0]
    assert 5_000 < len(track.clips) <= 10_000
    assert "0.02 s" in track.quality["clips"]
