"""A moved gain is found where level and floor step together, and nowhere else."""

from itertools import pairwise

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from takewell.demo.speech import voices
from takewell.engine import Meter

RATE = 48_000


def track(samples, encoding="float32"):
    meter = Meter(RATE, 1, encoding=encoding)
    meter.add(np.asarray(samples, np.float32)[:, None])
    return meter.finish().tracks[0]


def spoken(seconds, who=0, first=0):
    """Speech at -26 dBFS (RMS re 1) with pauses of about a second, its own noise gated away."""
    clips = list(voices(RATE).values())[who]
    parts, length, k = [], 0, first
    while length < seconds * RATE:
        part = clips[k % len(clips)].samples.astype(np.float64)
        parts += [part, np.zeros(round((0.7 + 0.1 * (k % 5)) * RATE))]
        length, k = length + len(parts[-1]) + len(part), k + 1
    made = np.concatenate(parts)[: round(seconds * RATE)]
    return made * 0.05 / np.sqrt(np.mean(made[made != 0] ** 2))


def room(seconds, kind, level_db, seed=0):
    noise = np.random.default_rng(seed).standard_normal(round(seconds * RATE) + RATE)
    if kind == "room":
        noise = sosfilt(butter(1, 200, fs=RATE, output="sos"), noise)
    noise = noise[RATE:]
    return noise * 10 ** (level_db / 20) / np.sqrt(np.mean(noise**2))


def moved(samples, places_s, gains_db):
    """Samples under a gain that steps at each place."""
    edges = [0, *(round(place * RATE) for place in places_s), len(samples)]
    out = samples.copy()
    for (start, end), gain in zip(pairwise(edges), [0.0, *gains_db], strict=True):
        out[start:end] *= 10 ** (gain / 20)
    return out


# Common practice, no source: a float recorder's gain setting is a number, so sound and floor move together.
@pytest.mark.parametrize("gain_db", [-60.0, -30.0, -12.0, -8.0, 8.0, 12.0, 24.0, 60.0])
@pytest.mark.parametrize("kind", ["white", "room"])
@pytest.mark.parametrize("where", ["pause", "word"])
def test_a_moved_gain_is_found_and_each_side_measured_alone(gain_db, kind, where):
    speech = spoken(30, 1)
    # The pause nearest to the middle, or 0.4 s before it, in a word's last sounds.
    silent = np.append(0, np.cumsum(speech == 0))
    quiet = np.flatnonzero(silent[RATE // 2 :] - silent[: -RATE // 2] == RATE // 2) / RATE
    place = float(quiet[np.argmin(np.abs(quiet - 15))]) + (0.2537 if where == "pause" else -0.4)
    whole = speech + room(30, kind, -75)
    found = track(moved(whole, [place], [gain_db]))
    first, second = found.passages
    assert second.start_s == first.end_s == pytest.approx(place, abs=0.0101 if where == "pause" else 0.2)
    assert (first.start_s, second.end_s) == (0.0, 30.0)
    parts = [track(whole[: round(place * RATE)]), track(whole[round(place * RATE) :])]
    for passage, part, gain in zip((first, second), parts, (0.0, gain_db), strict=True):
        alone = part.passages[0]
        assert passage.integrated_lufs == pytest.approx(alone.integrated_lufs + gain, abs=0.1)
        assert passage.noise_floor_dbfs == pytest.approx(alone.noise_floor_dbfs + gain, abs=0.3)
        assert passage.noise_floor_dbfs_a == pytest.approx(alone.noise_floor_dbfs_a + gain, abs=0.3)
        assert passage.speech_level_dbfs == pytest.approx(alone.speech_level_dbfs + gain, abs=0.5)
        assert passage.snr_db == pytest.approx(passage.speech_level_dbfs - passage.noise_floor_dbfs)
    for name in ("speech_level_dbfs", "speech_activity", "noise_floor_dbfs", "noise_floor_dbfs_a", "snr_db"):
        assert getattr(found, name) is None
    for name in ("speech_level_dbfs", "noise_floor_dbfs", "noise_floor_dbfs_a", "snr_db"):
        assert "gain setting moved" in found.quality[name]
    assert found.integrated_lufs is not None


def test_several_moves_are_found_each_at_its_place():
    places, gains = [9.0, 20.505, 31.2], [-40.0, 20.0, 0.0]
    found = track(moved(spoken(42, 2) + room(42, "room", -70), places, gains))
    assert [p.start_s for p in found.passages[1:]] == pytest.approx(places, abs=0.2)


def test_a_passage_60_db_low_and_one_60_db_high_measure_as_the_one_between():
    # Common practice, no source: recorded at -60 dB and lifted by some 88 dB, the floor is still near -70 dBFS.
    one = spoken(20, 3) * 10 ** (-28 / 20) + room(20, "white", -101)
    found = track(np.concatenate([one * 1e-3, one, one * 1e3]))
    assert [p.start_s for p in found.passages] == pytest.approx([0, 20, 40], abs=0.0101)
    low, middle, high = found.passages
    for passage, gain in ((low, -60), (high, 60)):
        for name in ("integrated_lufs", "speech_level_dbfs", "noise_floor_dbfs", "noise_floor_dbfs_a"):
            assert getattr(passage, name) == pytest.approx(getattr(middle, name) + gain, abs=0.3), name
    assert low.noise_floor_dbfs + 88 == pytest.approx(-70, abs=0.5)


@pytest.mark.parametrize("kind", ["white", "room"])
def test_a_louder_talker_is_no_moved_gain(kind):
    samples = spoken(40, 0)
    samples[20 * RATE :] = spoken(20, 4) * 4
    assert len(track(samples + room(40, kind, -70)).passages) == 1


@pytest.mark.parametrize("rise_db", [10, 25])
def test_a_fan_that_starts_is_no_moved_gain(rise_db):
    samples = spoken(40, 1) + room(40, "room", -75)
    samples[18 * RATE :] += room(22, "white", -75 + rise_db, 1)
    assert len(track(samples).passages) == 1


def test_speech_after_silence_is_no_moved_gain():
    samples = np.concatenate([np.zeros(15 * RATE), spoken(25, 5)]) + room(40, "room", -70)
    assert len(track(samples).passages) == 1


def test_a_muted_stretch_is_no_moved_gain():
    samples = spoken(40, 2) + room(40, "white", -70)
    samples[15 * RATE : 19 * RATE] = 0.0
    assert len(track(samples).passages) == 1


@pytest.mark.parametrize("who", range(6))
def test_speech_under_one_setting_is_one_passage(who):
    found = track(spoken(60, who) + room(60, "room", -80, who))
    assert len(found.passages) == 1
    (whole,) = found.passages
    assert whole.speech_level_dbfs == pytest.approx(found.speech_level_dbfs, abs=1e-9)
    assert whole.noise_floor_dbfs == found.noise_floor_dbfs
    assert whole.integrated_lufs == pytest.approx(found.integrated_lufs, abs=0.1)


def test_a_passage_too_low_for_the_standards_gates_is_measured_all_the_same():
    found = track((spoken(10, 0) + room(10, "white", -70)) * 1e-4)
    assert found.integrated_lufs is None
    assert "-70 LUFS" in found.quality["integrated_lufs"]
    assert found.speech_level_dbfs is None
    assert "below what the lowest threshold" in found.quality["speech_level_dbfs"]
    reference = track(spoken(10, 0) + room(10, "white", -70))
    (whole,) = found.passages
    assert whole.integrated_lufs == pytest.approx(reference.integrated_lufs - 80, abs=0.05)
    assert whole.speech_level_dbfs == pytest.approx(reference.speech_level_dbfs - 80, abs=0.5)


def test_a_passage_above_the_standards_thresholds_is_measured_all_the_same():
    found = track((spoken(10, 0) + room(10, "white", -70)) * 1e4)
    assert found.speech_level_dbfs is None
    assert "above what the highest threshold" in found.quality["speech_level_dbfs"]
    assert found.passages[0].speech_level_dbfs > 40
