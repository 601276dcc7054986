"""What is heard is brought to a safe level: measured on the bytes, with libebur128 and with arithmetic."""

import io
import wave

import numpy as np
import pytest

from small_card import RATE, speech, write_take
from takewell.desk import levels, levels_after, listen_to_track, moment_spectrum
from takewell.desk.listening import CEILING_DBTP, HEADER_BYTES, LOUDEST_LUFS, MOST_RAISED_DB
from takewell.roll import Move, loose, measured_take

HOT_DB = 60.0


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    """A float take: a voice whose second half was recorded 60 dB too high, and a click far over full scale."""
    folder = tmp_path_factory.mktemp("hot")
    voice = speech(12, seed=5)
    voice[6 * RATE :] *= 10 ** (HOT_DB / 20)
    quiet = speech(12, seed=6) * 10 ** (-50 / 20)
    quiet[3 * RATE] = 900.0
    quiet[4 * RATE] = np.nan
    write_take(folder / "1.wav", [voice, quiet])
    roll = loose([folder])
    return roll, measured_take(roll, roll.takes[0])


def heard(take, track, moves=()):
    roll, measured = take
    return listen_to_track(roll.folder, measured.take, track, measured.trace(track), moves)


def decoded(data):
    with wave.open(io.BytesIO(data)) as file:  # the standard library's own reader
        assert (file.getsampwidth(), file.getframerate(), file.getnchannels()) == (2, RATE, 1)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768


def loudest_momentary(samples):
    ebur128 = pytest.importorskip("pyebur128", reason="needs libebur128's Python binding")
    state = ebur128.R128State(
        1, RATE, ebur128.MeasurementMode.MODE_M | ebur128.MeasurementMode.MODE_TRUE_PEAK
    )
    most = -np.inf
    for start in range(0, len(samples), RATE // 10):
        block = np.ascontiguousarray(samples[start : start + RATE // 10])
        state.add_frames(block, len(block))
        if start >= 3 * RATE // 10:
            most = max(most, ebur128.get_loudness_momentary(state))
    return most, 20 * np.log10(ebur128.get_true_peak(state, 0))


def test_sixty_decibels_too_much_are_heard_at_the_safe_level(take):
    listening = heard(take, 1)
    samples = decoded(b"".join(listening.read(0, listening.size_bytes)))
    loudest, peak = loudest_momentary(samples)
    # The gain rests on 100 ms steps at the same edges; ±0.1 LU is what EBU Tech 3341 grants a meter.
    # The limiter can only take away.
    assert loudest <= LOUDEST_LUFS + 0.1
    assert loudest >= LOUDEST_LUFS - 3
    assert peak <= CEILING_DBTP
    assert listening.gain_db < -40


def test_a_click_far_over_full_scale_stays_under_the_ceiling(take):
    listening = heard(take, 2)
    samples = decoded(b"".join(listening.read(0, listening.size_bytes)))
    assert 20 * np.log10(np.abs(samples).max()) <= CEILING_DBTP
    assert np.isfinite(samples).all()


def test_after_moves_the_safe_level_is_that_of_what_is_heard_then(take):
    moves = [Move("1", 1, 6.0, 12.0, -HOT_DB, 0.0, 0.0, True, "")]
    listening = heard(take, 1, moves)
    samples = decoded(b"".join(listening.read(0, listening.size_bytes)))
    assert loudest_momentary(samples)[0] <= LOUDEST_LUFS + 0.1
    halves = [np.sqrt(np.mean(part**2)) for part in np.split(samples, 2)]
    assert abs(20 * np.log10(halves[0] / halves[1])) < 6  # both halves of one voice are heard alike


def test_any_range_holds_the_same_bytes_as_the_whole(take):
    listening = heard(take, 1)
    whole = b"".join(listening.read(0, listening.size_bytes))
    assert len(whole) == listening.size_bytes
    for start, stop in (
        (0, 10),
        (40, 50),
        (HEADER_BYTES, HEADER_BYTES + 1),
        (400_001, 700_003),
        (len(whole) - 3, len(whole)),
    ):
        assert b"".join(listening.read(start, stop)) == whole[start:stop]
    assert b"".join(listening.read(len(whole), len(whole))) == b""


def test_chunks_meet_without_a_seam(take):
    """A steady tone would show a seam as a jump: the second difference at the joins is that of everywhere else."""
    roll, measured = take
    tone = 3.0 * np.sin(2 * np.pi * 200 * np.arange(RATE * 9) / RATE)
    folder = roll.folder.parent / "tone"
    write_take(folder / "t.wav", [tone, tone])
    other = loose([folder])
    known = measured_take(other, other.takes[0])
    listening = listen_to_track(folder, known.take, 1, known.trace(1))
    samples = decoded(b"".join(listening.read(0, listening.size_bytes)))
    bend = np.abs(np.diff(samples, 2))
    joins = [k * 2 * RATE for k in (1, 2, 3, 4)]
    typical = bend[RATE : 8 * RATE].max()
    assert all(bend[at - 4 : at + 4].max() <= typical for at in joins)
    assert measured is not known


def test_silence_stays_silent_and_is_raised_by_no_more_than_said(tmp_path):
    write_take(tmp_path / "1.wav", [np.zeros(RATE), np.full(RATE, 1e-9)])
    roll = loose([tmp_path])
    known = measured_take(roll, roll.takes[0])
    first, second = (listen_to_track(tmp_path, known.take, n, known.trace(n)) for n in (1, 2))
    assert first.gain_db == 0
    assert second.gain_db <= MOST_RAISED_DB


def test_levels_after_moves_are_the_levels_and_the_gain(take):
    _, measured = take
    before = levels(measured.trace(1))
    after = levels_after(before, [Move("1", 1, 0.0, 12.0, -7.5, 0.0, 0.0, True, "")])
    assert after.level_dbfs == pytest.approx(before.level_dbfs - 7.5, abs=1e-4)
    assert levels_after(before, []) is before


def test_a_tone_stands_in_its_own_third_octave(tmp_path):
    # IEC 61260-1: the band around 1 kHz holds a 1 kHz tone; AES17: full scale reads 0 dBFS.
    tone = 0.1 * np.sin(2 * np.pi * 1000 * np.arange(RATE * 6) / RATE)
    tone[: 3 * RATE] = 1e-4 * np.random.default_rng(1).standard_normal(3 * RATE)
    write_take(tmp_path / "1.wav", [tone, tone])
    roll = loose([tmp_path])
    known = measured_take(roll, roll.takes[0])
    found = moment_spectrum(tmp_path, known.take, 1, known.trace(1), 5.0)
    band = int(np.argmin(np.abs(np.array(found.middle_hz) - 1000)))
    assert found.moment_dbfs[band] == pytest.approx(-20, abs=0.1)
    assert np.argmax(found.moment_dbfs) == band
    assert found.floor_dbfs[band] < -80
    assert found.floor_start_s < 1.1
