"""Files that begin and end with their clip: where each sample of a known recording must come to lie, reckoned by hand."""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

from takewell.errors import DestinationError
from takewell.roll import loose
from takewell.sync.placed import clip_length_s, stretches
from takewell.sync.synced_files import write_synced
from takewell.sync.values import Clip, Jump, Pairing, Recording
from takewell.timecode import Timecode, TimecodeRate
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, read_info

RATE = 48_000
RATE_25 = TimecodeRate.parse("25")


@pytest.fixture
def recording(tmp_path: Path) -> tuple[Recording, np.ndarray]:
    """Ten seconds of two tracks, noise of 24 bits, stamped 10:00:00:00."""
    samples = np.round(np.random.default_rng(21).normal(size=(10 * RATE, 2)) * 0.1 * 2**23) / 2**23
    card = tmp_path / "card"
    card.mkdir()
    ixml = Ixml(
        scene="14",
        take="2",
        tape="R03",
        timecode_rate="25/1",
        timecode_flag="NDF",
        tracks=(IxmlTrack(1, 1, "Boom"), IxmlTrack(2, 2, "Lav")),
    )
    with BroadcastWriter(
        card / "14-2.WAV",
        rate=RATE,
        channels=2,
        encoding="int24",
        bext=Bext(time_reference=36_000 * RATE, originator="Recorder"),
        ixml=ixml,
        dither=False,
    ) as writer:
        writer.write(samples)
    roll = loose([card])
    return Recording(roll.folder, roll.takes[0]), samples


def clip(
    seconds: int = 6, *, sound_start_s: Fraction = Fraction(0), timecode: str | None = "10:00:02:00"
) -> Clip:
    start = None if timecode is None else Timecode.parse(timecode, RATE_25)
    return Clip(
        Path("A001C003.mov"),
        RATE,
        2,
        seconds * RATE,
        start,
        None if start is None else start.seconds + sound_start_s,
        Fraction(25),
        sound_start_s=sound_start_s,
        picture_length_s=Fraction(seconds),
    )


def test_it_begins_and_ends_with_the_clip_bit_by_bit(recording, tmp_path: Path) -> None:
    known, samples = recording
    pairing = Pairing(
        known, clip(), offset_s=-2.0, confidence=1.0
    )  # the clip began two seconds into the recording
    done = write_synced(pairing, tmp_path / "synced")
    heard, rate = soundfile.read(done.path, always_2d=True)
    assert rate == RATE
    np.testing.assert_array_equal(heard, samples[2 * RATE : 8 * RATE])
    info = read_info(done.path)
    assert info.bext is not None
    assert info.bext.time_reference == 36_002 * RATE == done.time_reference
    assert info.bext.originator == "Recorder"
    assert "laid beside A001C003.mov" in info.bext.coding_history
    assert info.ixml is not None
    assert (info.ixml.scene, info.ixml.take, info.ixml.tape) == ("14", "2", "R03")
    assert [track.name for track in info.ixml.tracks] == ["Boom", "Lav"]
    assert info.ixml.timestamp_samples == 36_002 * RATE
    assert not done.corrected
    assert done.notes == ()


def test_what_the_recording_does_not_have_is_silence(recording, tmp_path: Path) -> None:
    known, samples = recording
    before = write_synced(Pairing(known, clip(), offset_s=1.5), tmp_path / "a")
    heard = soundfile.read(before.path, always_2d=True)[0]
    assert not heard[: RATE + RATE // 2].any()
    np.testing.assert_array_equal(heard[RATE + RATE // 2 :], samples[: 4 * RATE + RATE // 2])
    after = write_synced(Pairing(known, clip(), offset_s=-7.25), tmp_path / "b")
    heard = soundfile.read(after.path, always_2d=True)[0]
    assert len(heard) == 6 * RATE
    np.testing.assert_array_equal(heard[: RATE * 11 // 4], samples[RATE * 29 // 4 :])
    assert not heard[RATE * 11 // 4 :].any()


def test_sound_that_begins_after_the_picture_and_the_way_it_took_are_reckoned_in(
    recording, tmp_path: Path
) -> None:
    known, samples = recording
    late = clip(sound_start_s=Fraction(1, 4))
    # The offset is on the clock of the clip's sound, which begins a quarter of a second into the picture; of it 10 ms are air.
    pairing = Pairing(known, late, offset_s=-2.24, hidden_delay_s=0.01)
    done = write_synced(pairing, tmp_path / "synced")
    heard = soundfile.read(done.path, always_2d=True)[0]
    np.testing.assert_array_equal(heard, samples[2 * RATE : 8 * RATE])
    assert done.time_reference == 36_002 * RATE


def test_drift_is_taken_out_where_asked(tmp_path: Path) -> None:
    """A sine on a clock 200 ppm fast, brought back: a sine again, at its own frequency, in closed form."""
    speed, step = 1 + 200e-6, 2 * np.pi * 1_000 / RATE
    tone = 0.5 * np.sin(step / speed * np.arange(60 * RATE))[:, None]
    soundfile.write(tmp_path / "T.wav", tone, RATE, subtype="FLOAT")
    roll = loose([tmp_path / "T.wav"])
    pairing = Pairing(Recording(roll.folder, roll.takes[0]), clip(40), offset_s=-10.0, drift_ppm=200.0)
    done = write_synced(pairing, tmp_path / "synced", correct_drift=True)
    heard = soundfile.read(done.path)[0]
    assert done.corrected
    assert len(heard) == 40 * RATE
    wanted = 0.5 * np.sin(step * (np.arange(len(heard)) + 10 * RATE))
    # Half a sample off at most where the file begins, 0.065 rad here; nothing more after 40 s.
    assert np.abs(heard - wanted).max() < 0.5 * step / 2 + 1e-3
    phase = (
        np.angle(np.vdot(np.exp(1j * step * np.arange(RATE)), heard[:RATE])),
        np.angle(np.vdot(np.exp(1j * step * np.arange(RATE)), heard[-RATE:])),
    )
    assert phase[1] == pytest.approx(phase[0], abs=1e-3)
    plain = write_synced(pairing, tmp_path / "plain")
    assert not plain.corrected
    np.testing.assert_array_equal(
        soundfile.read(plain.path)[0][:1000], tone[round(10 * speed * RATE) :][:1000, 0].astype(np.float32)
    )


def test_lost_samples_leave_a_hole_and_what_follows_in_place(recording, tmp_path: Path) -> None:
    known, samples = recording
    pairing = Pairing(known, clip(), offset_s=0.0, jumps=(Jump(2.0, 0.5, 0.01),))
    heard = soundfile.read(write_synced(pairing, tmp_path / "synced").path, always_2d=True)[0]
    np.testing.assert_array_equal(heard[: 2 * RATE], samples[: 2 * RATE])
    assert not heard[2 * RATE : RATE * 5 // 2].any()
    np.testing.assert_array_equal(heard[RATE * 5 // 2 :], samples[2 * RATE : RATE * 11 // 2])


def test_samples_the_clip_lost_are_left_out(recording) -> None:
    known, _ = recording
    pairing = Pairing(known, clip(), offset_s=0.0, jumps=(Jump(3.0, -0.5, 0.01),))
    one, two = stretches(pairing)
    assert (one.clip_start_s, one.clip_end_s, one.recording_start_s) == (0.0, 2.5, 0.0)
    assert (two.clip_start_s, two.recording_start_s) == (2.5, 3.0)
    assert two.recording_s(4.0) == pytest.approx(pairing.recording_time_s(4.0))


@pytest.mark.parametrize("moment", [0.0, 1.0, 2.75, 5.9])
def test_a_stretch_says_what_the_pair_says(moment: float, recording) -> None:
    known, _ = recording
    pairing = Pairing(known, clip(), offset_s=-1.25, drift_ppm=37.0, jumps=(Jump(3.5, 0.25, 0.01),))
    place = next(each for each in stretches(pairing) if each.clip_start_s <= moment < each.clip_end_s)
    assert place.recording_s(moment) == pytest.approx(pairing.recording_time_s(moment), abs=1e-9)


def test_a_day_of_non_drop_timecode_is_longer_than_a_day(recording, tmp_path: Path) -> None:
    known, _ = recording
    rate = TimecodeRate.parse("29.97NDF")
    late = Timecode.parse("23:59:59:00", rate)
    pair = replace(clip(), start=late, start_s=late.seconds, picture_rate=rate.real)
    done = write_synced(Pairing(known, pair, offset_s=-2.0), tmp_path / "synced")
    assert done.time_reference == late.to_samples(RATE) > 86_400 * RATE


def test_sound_that_begins_before_a_picture_at_midnight_stays_at_midnight(recording, tmp_path: Path) -> None:
    known, _ = recording
    start = Timecode.parse("00:00:00:00", RATE_25)
    pair = replace(clip(), start=start, start_s=Fraction(-1, 50), sound_start_s=Fraction(-1, 50))
    assert write_synced(Pairing(known, pair, offset_s=-2.0), tmp_path / "synced").time_reference == 0


def test_a_clip_without_timecode_is_said_to_be_stamped_zero(recording, tmp_path: Path) -> None:
    known, _ = recording
    done = write_synced(Pairing(known, clip(timecode=None), offset_s=-2.0), tmp_path / "synced")
    assert done.time_reference == 0
    assert "no timecode" in done.notes[0]


def test_a_clip_of_sound_alone_is_as_long_as_its_sound(recording, tmp_path: Path) -> None:
    known, samples = recording
    plain = replace(clip(4), picture_rate=None, picture_length_s=None, path=Path("other.wav"))
    assert clip_length_s(plain) == 4
    done = write_synced(Pairing(known, plain, offset_s=-1.0), tmp_path / "synced")
    np.testing.assert_array_equal(soundfile.read(done.path, always_2d=True)[0], samples[RATE : 5 * RATE])


def test_continuation_files_join_to_the_sample(tmp_path: Path) -> None:
    samples = np.round(np.random.default_rng(22).normal(size=(8 * RATE, 1)) * 0.1 * 2**15) / 2**15
    cut = 3 * RATE + 777
    card = tmp_path / "card"
    card.mkdir()
    for name, part, start in (("T7.WAV", samples[:cut], 0), ("T7-002.WAV", samples[cut:], cut)):
        with BroadcastWriter(
            card / name,
            rate=RATE,
            channels=1,
            encoding="int16",
            bext=Bext(time_reference=36_000 * RATE + start),
            ixml=Ixml(scene="7", take="1", family_uid="F7", timecode_rate="25/1", timecode_flag="NDF"),
            dither=False,
        ) as writer:
            writer.write(part)
    roll = loose([card])
    assert len(roll.takes) == 1
    done = write_synced(
        Pairing(Recording(roll.folder, roll.takes[0]), clip(), offset_s=-1.0), tmp_path / "out"
    )
    np.testing.assert_array_equal(soundfile.read(done.path, always_2d=True)[0], samples[RATE : 7 * RATE])


def test_what_cannot_be_written_is_one_sentence(recording, tmp_path: Path) -> None:
    known, _ = recording
    with pytest.raises(DestinationError, match="no recording beside it"):
        write_synced(Pairing(None, clip(), reason="it is silent."), tmp_path)
    with pytest.raises(DestinationError, match="no recording beside it"):
        write_synced(Pairing(known, clip(), offset_s=100.0), tmp_path)
    with pytest.raises(DestinationError, match="holds the original recordings"):
        write_synced(Pairing(known, clip(), offset_s=0.0), known.folder, name="14-2")
    assert [path.name for path in known.folder.iterdir()] == ["14-2.WAV"]
