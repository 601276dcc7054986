"""A channel of timecode speaks for its file: checked with channels of known timecode, clock error, jumps and holes.

The writer of the channels is the package's own, whose bits tests/shape/test_linear_timecode.py holds against the standard."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.errors import FileError
from takewell.roll import loose
from takewell.shape import LinearTimecode, Resampler
from takewell.sync.clips import read_clip
from takewell.sync.ltc_track import (
    read_timecode_track,
    stamped_by_track,
    take_timecode,
    timecode_channels,
)
from takewell.sync.track_timecode import track_timecode
from takewell.sync.values import Recording
from takewell.timecode import Timecode, TimecodeRate
from takewell.wave import BroadcastWriter, Ixml, IxmlTrack

RATE = 48_000


def channel(
    start: str, seconds: float, rate: str, *, late: Fraction = Fraction(0), sample_rate: int = RATE, **more
):
    """Timecode whose frame `start` began `late` samples before the first sample."""
    kept = TimecodeRate.parse(rate)
    first = Timecode.parse(start, kept).to_samples(sample_rate) + late
    return LinearTimecode(kept, sample_rate, start_samples=first, **more).samples(
        0, int(seconds * sample_rate)
    )


@pytest.mark.parametrize("sample_rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("rate", ["23.976", "24", "25", "29.97 DF", "29.97 NDF", "30"])
def test_the_first_sample_has_its_timecode_to_a_tenth_of_a_sample(rate: str, sample_rate: int) -> None:
    late = Fraction(777, 2)
    found = track_timecode([channel("09:59:58:10", 6, rate, late=late, sample_rate=sample_rate)], sample_rate)
    assert found is not None
    kept = TimecodeRate.parse(rate)
    start = Timecode.parse("09:59:58:10", kept)
    assert found.rate == kept
    assert found.start == start
    # 2 µs, as a single word is read: see tests/shape/test_linear_timecode.py
    assert abs(found.start_samples - start.to_samples(sample_rate) - late) < 2e-6 * sample_rate
    assert abs(found.clock_ppm) < 0.1
    assert found.jumps == ()
    assert found.holes == ()
    assert len(found.runs) == 1
    assert found.notes == ()


@pytest.mark.parametrize("ppm", [-100.0, 3.0, 50.0])
def test_a_device_clock_that_runs_fast_is_measured(ppm: float) -> None:
    resampler = Resampler(1 + ppm * 1e-6, 1)  # more samples a second than it should take
    samples = channel("10:00:00:00", 60, "25")
    found = track_timecode([resampler.add(samples), resampler.finish()], RATE)
    assert found is not None
    assert found.clock_ppm == pytest.approx(ppm, abs=max(found.clock_uncertainty_ppm, 0.02))
    assert found.clock_uncertainty_ppm < 0.5
    assert str(found.start) == "10:00:00:00"


def test_noise_widens_the_interval_and_it_holds() -> None:
    rng, held = np.random.default_rng(11), 0
    for _ in range(20):
        samples = channel("01:00:00:00", 6, "25", late=Fraction(1, 3), peak_dbfs=-20)
        found = track_timecode([samples + rng.normal(size=samples.shape) * 0.03], RATE)
        assert found is not None
        off = float(
            found.start_samples - Timecode.parse("01:00:00:00", found.rate).to_samples(RATE) - Fraction(1, 3)
        )
        held += abs(off) < found.uncertainty_samples + 0.1  # the reader's own 2 µs
        assert found.uncertainty_samples < 1
    assert held >= 18  # of 20, where 19 are due


def test_a_jump_is_told_with_place_and_frames() -> None:
    samples = np.concatenate([channel("10:00:00:00", 5, "25"), channel("10:02:00:00", 20, "25")])
    found = track_timecode([samples], RATE)
    assert found is not None
    (jump,) = found.jumps
    assert str(jump.expected) == "10:00:05:00"
    assert str(jump.found) == "10:02:00:00"
    assert jump.frames == 115 * 25
    assert jump.end_samples == pytest.approx(5 * RATE, abs=1)
    # The longer run speaks for the file.
    assert str(found.start) == "10:01:55:00"
    assert "jumps from 10:00:05:00 to 10:02:00:00 (+2875 frames)" in found.notes[0]


def test_a_hole_is_no_jump_where_the_count_goes_on() -> None:
    samples = channel("10:00:00:00", 30, "29.97 DF")
    samples[10 * RATE : 13 * RATE] = 0
    samples[20 * RATE : 20 * RATE + 100] = 0.9
    found = track_timecode([samples], RATE)
    assert found is not None
    assert found.jumps == ()
    assert len(found.runs) == 1
    (hole,) = (each for each in found.holes if each[1] - each[0] > RATE)
    frame = 1601.6
    assert 10 * RATE - 2 * frame < hole[0] <= 10 * RATE
    assert 13 * RATE <= hole[1] < 13 * RATE + 2 * frame
    assert "cannot be read for 3." in found.notes[0]


def test_midnight_is_no_jump() -> None:
    found = track_timecode([channel("23:59:55:00", 10, "29.97 DF")], RATE)
    assert found is not None
    assert found.jumps == ()
    assert str(found.start) == "23:59:55;00"


def test_timecode_that_begins_late_reaches_back_to_the_first_sample() -> None:
    samples = np.concatenate([np.zeros((3 * RATE, 1)), channel("00:00:01:00", 10, "25")])
    found = track_timecode([samples], RATE)
    assert found is not None
    assert str(found.start) == "23:59:58:00"
    assert found.time_reference == 86_398 * RATE


def test_a_search_back_and_forth_is_left_out_and_told() -> None:
    samples = channel("10:00:00:00", 20, "25")
    shuttled = np.concatenate([samples, samples[::-1][: 5 * RATE], samples[: 10 * RATE : 2]])
    found = track_timecode([shuttled], RATE)
    assert found is not None
    assert str(found.start) == "10:00:00:00"
    assert found.other_words > 200
    assert "backward or at another speed" in found.notes[-1]


@pytest.mark.parametrize("kind", ["silence", "noise", "speechlike", "backward"])
def test_a_channel_without_timecode_says_none(kind: str) -> None:
    rng = np.random.default_rng(12)
    samples = {
        "silence": np.zeros((4 * RATE, 1)),
        "noise": rng.normal(size=(4 * RATE, 1)),
        "speechlike": np.cumsum(rng.normal(size=(4 * RATE, 1)), axis=0) * 1e-3,
        "backward": channel("10:00:00:00", 4, "25")[::-1].copy(),
    }[kind]
    assert track_timecode([samples], RATE) is None


def test_a_file_tells_in_which_channels_timecode_runs(tmp_path: Path) -> None:
    code = channel("10:00:00:00", 8, "25", user_bits=0xDA7E0001)
    noise = np.random.default_rng(13).normal(size=code.shape) * 0.1
    path = tmp_path / "three.wav"
    soundfile.write(path, np.hstack([noise, code, noise + code]), RATE, subtype="PCM_24")
    assert timecode_channels(path) == (2, 3)  # through noise 5 dB under it too
    found = read_timecode_track(path, 2)
    assert found is not None
    assert found.user_bits == "DA7E0001"
    assert found.time_reference == 36_000 * RATE
    with pytest.raises(FileError, match="no channel 4"):
        read_timecode_track(path, 4)


def test_a_takes_timecode_track_speaks_for_it(tmp_path: Path) -> None:
    code = channel("10:00:00:00", 5, "25")
    names = Ixml(tracks=(IxmlTrack(1, 1, "Boom"), IxmlTrack(2, 2, "LTC")))
    with BroadcastWriter(tmp_path / "1-1.wav", rate=RATE, channels=2, encoding="int24", ixml=names) as writer:
        writer.write(np.hstack([code * 0, code]))
    roll = loose([tmp_path])
    assert [track.role for track in roll.takes[0].tracks] == ["iso", "timecode"]
    recording = Recording(roll.folder, roll.takes[0])
    found = take_timecode(roll.folder, roll.takes[0])
    assert found is not None
    assert str(found.start) == "10:00:00:00"
    stamped, notes = stamped_by_track(recording)
    assert stamped.start_s == 36_000
    assert stamped.take.timecode_rate == TimecodeRate.parse("25")
    assert notes == ()
    assert stamped_by_track(stamped) == (stamped, ())
    (media,) = stamped.take.files
    wrong = replace(
        stamped, take=replace(stamped.take, files=(replace(media, time_reference=35_990 * RATE),))
    )
    right, notes = stamped_by_track(wrong)
    assert right.start_s == 36_000
    assert notes == (
        "1-1: its timecode track begins at 10:00:00:00, its stamp says 09:59:50:00; the track counts.",
    )


def test_an_unnamed_track_of_timecode_stamps_a_take_that_has_no_stamp(tmp_path: Path) -> None:
    code = channel("10:00:00:00", 5, "25")
    noise = np.random.default_rng(14).normal(size=code.shape) * 0.1
    soundfile.write(tmp_path / "REC001.wav", np.hstack([noise, code]), RATE, subtype="PCM_24")
    soundfile.write(tmp_path / "REC002.wav", np.hstack([noise, noise]), RATE, subtype="PCM_24")
    roll = loose([tmp_path])
    one, two = (Recording(roll.folder, take) for take in roll.takes)
    assert one.start_s is None
    assert stamped_by_track(one)[0].start_s == 36_000
    assert stamped_by_track(two) == (two, ())


def test_a_clips_timecode_channel_is_no_sound_and_stamps_it(tmp_path: Path) -> None:
    code = channel("10:00:00:00", 8, "29.97 DF", late=Fraction(100))
    path = tmp_path / "two.wav"
    soundfile.write(path, np.hstack([code * 0, code]), RATE, subtype="PCM_24")
    clip = read_clip(path)
    assert clip.timecode_channels == (2,)
    assert str(clip.start) == "10:00:00;00"
    assert clip.start_s is not None
    due = (Timecode.parse("10:00:00;00", TimecodeRate.parse("29.97DF")).to_samples(RATE) + 100) / RATE
    assert abs(clip.start_s - due) < 2e-6
