"""Levelled copies: right to the meter, honest about themselves, reversible."""

import csv
import hashlib
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from wavinfo import WavInfoReader

from takewell.errors import DestinationError, FileError, SettingError
from takewell.level import LevelSettings, limited, propose, read_sidecar, render, undo, write_limited
from takewell.roll import Move, Roll, loose, read_moves, read_roll, write_moves
from takewell.shape import GainEnvelope
from takewell.wave import read_info

RATE = 48_000
Write = Callable[..., Roll]


@pytest.fixture
def day(sim, write_roll: Write) -> Roll:  # type: ignore[no-untyped-def]
    """A boom 18 dB low with one loud laugh, a lavalier at its place."""
    low = (sim.speak("mira", 24) * sim.amplitude(-18)).samples
    low[10 * RATE : 10 * RATE + 600] += np.hanning(600) * np.sin(np.arange(600) / 5) * 0.22
    right = sim.speak("tobin", 30).samples[: len(low)]
    samples = np.stack([low, right], 1) + 1e-5 * np.random.default_rng(1).standard_normal((len(low), 2))
    return write_roll(samples, ["Boom", "Lav"])


def digests(roll: Roll) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in roll.folder.glob("*.wav")}


def samples_of(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="float64", always_2d=True)[0]


def units(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.abs(a.view(np.int32).astype(np.int64) - b.view(np.int32).astype(np.int64))


@pytest.mark.parametrize("encoding", ["float32", "int24", "int16"])
def test_copies_stand_at_the_target_under_the_ceiling(sim, day: Roll, encoding: str) -> None:  # type: ignore[no-untyped-def]
    propose(day)
    before = digests(day)
    (copy,) = render(day, encoding=encoding)  # type: ignore[arg-type]
    assert copy.target == day.folder / "takewell" / "levelled" / "1-T01.wav"
    home = samples_of(copy.target)
    assert sim.integrated_lufs(home[:, 0]) == pytest.approx(-23.0, abs=0.3)
    assert sim.true_peak_dbtp(home[:, 0]) <= -1.0
    assert (
        soundfile.info(copy.target).subtype
        == {"float32": "FLOAT", "int24": "PCM_24", "int16": "PCM_16"}[encoding]
    )
    assert copy.clipped_samples == 0
    assert digests(day) == before


@pytest.mark.outside
@pytest.mark.skipif(not shutil.which("ffmpeg"), reason="ffmpeg is not installed")
@pytest.mark.parametrize("encoding", ["float32", "int16"])
def test_ffmpeg_reads_copies_at_the_target_under_the_ceiling(day: Roll, encoding: str) -> None:
    propose(day)
    (copy,) = render(day, encoding=encoding)  # type: ignore[arg-type]
    heard = subprocess.run(
        ["ffmpeg", "-nostats", "-i", str(copy.target), "-filter:a", "pan=mono|c0=c0,ebur128=peak=true", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    ).stderr.rsplit("Summary:", 1)[1]  # fmt: skip
    # It prints tenths. Its mono counts once, as here.
    assert float(re.search(r"I:\s+(\S+) LUFS", heard)[1]) == pytest.approx(-23.0, abs=0.3)  # type: ignore[index]
    assert float(re.search(r"Peak:\s+(\S+) dBFS", heard)[1]) <= -1.0  # type: ignore[index]


def test_shaped_noise_is_an_option_of_integer_copies_and_said_in_them(day: Roll) -> None:
    moves = [Move("1-1", 1, 0.0, 60.0, 10.0, 0.0, 0.0, True, "")]
    (plain,) = render(day, encoding="int16", moves=moves)
    before = samples_of(plain.target)
    (shaped,) = render(day, encoding="int16", moves=moves, noise_shaping=True)
    after = samples_of(shaped.target)
    history = read_info(shaped.target).bext.coding_history  # type: ignore[union-attr]
    assert "TPDF dither" in history
    assert "noise shaped" in history
    exact = samples_of(day.folder / "1-T01.wav")[:, 0] * 10 ** (10 / 20)
    # By the sum of the squares of the taps (`noise_shape`): 12.3 dB more at 48 kHz, unweighted.
    more = 10 * np.log10(np.mean((after[:, 0] - exact) ** 2) / np.mean((before[:, 0] - exact) ** 2))
    assert more == pytest.approx(12.3, abs=0.2)


def test_float_copies_are_the_products_rounded_once(day: Roll) -> None:
    moves = [
        Move("1-1", 1, 0.0, 5.0, 7.0, 0.0, 0.5, True, ""),
        Move("1-1", 1, 5.0, 40.0, -9.0, 0.5, 0.0, True, ""),
    ]
    write_moves(day.folder, moves)
    (copy,) = render(day, encoding="float32")
    original = soundfile.read(day.folder / "1-T01.wav", dtype="float32")[0]
    factors = GainEnvelope.from_moves(moves, RATE, len(original)).factors(0, len(original))
    expected = (original[:, 0].astype(np.float64) * factors).astype(np.float32)
    home = soundfile.read(copy.target, dtype="float32")[0]
    assert copy.actions == ()
    assert np.array_equal(home[:, 0], expected)
    assert np.array_equal(home[:, 1], original[:, 1])  # no moves, no change


def test_tracks_without_moves_pass_bit_by_bit_in_integers_too(sim, write_roll: Write) -> None:  # type: ignore[no-untyped-def]
    spoken = sim.speak("mira", 6).samples
    clipped = np.clip(spoken * 30, -1, 1 - 2.0**-23)
    roll = write_roll(np.stack([spoken, clipped], 1), ["Boom", "Boom safety"], encoding="int24")
    (copy,) = render(roll, moves=[Move("1-1", 1, 0.0, 6.0, -3.0, 0.0, 0.0, True, "")])
    original, home = samples_of(roll.folder / "1-T01.wav"), samples_of(copy.target)
    assert np.array_equal(home[:, 1], original[:, 1])
    assert not np.array_equal(home[:, 0], original[:, 0])
    assert copy.clipped_samples == 0


def test_24_bit_copies_differ_from_the_product_by_dither_alone(day: Roll) -> None:
    write_moves(day.folder, [Move("1-1", 1, 0.0, 40.0, -6.0, 0.0, 0.0, True, "")])
    (copy,) = render(day, encoding="int24")
    original = samples_of(day.folder / "1-T01.wav")
    error = (samples_of(copy.target)[:, 0] - original[:, 0] * 10 ** (-6 / 20)) * 2**23
    # TPDF dither: q^2 / 4 in all (Wannamaker et al. 1992), half a step of mean square root.
    assert np.sqrt(np.mean(error**2)) == pytest.approx(0.5, rel=0.02)
    assert abs(np.corrcoef(error[1:], error[:-1])[0, 1]) < 0.01


def test_a_copy_says_what_was_done_and_keeps_its_place_in_time(day: Roll) -> None:
    propose(day)
    (copy,) = render(day)
    info = WavInfoReader(str(copy.target))
    assert info.bext.time_reference == 36_000 * RATE
    assert info.bext.description == "scene 1 take 1"
    rows = info.bext.coding_history.strip().splitlines()
    assert rows[0] == "A=PCM,F=48000,W=32,M=mono,T=recorder"
    assert rows[1].startswith("A=PCM,F=48000,W=24,M=stereo,T=Takewell")
    assert "levelled copy" in rows[1]
    assert "track 1" in rows[1]
    assert "," not in rows[1].split("T=", 1)[1]  # EBU R 98: a comma ends the field
    assert info.bext.loudness_value is None or info.bext.loudness_value == 0x7FFF / 100
    assert "levelled copy" in info.ixml.note if hasattr(info.ixml, "note") else True
    assert b"as recorded; Takewell" in copy.target.read_bytes()[:20_000]


def test_the_text_file_beside_it_lists_gains_and_everything_the_limiter_did(day: Roll) -> None:
    propose(day)
    (copy,) = render(day, encoding="float32")
    document = json.loads(copy.sidecar.read_text())
    assert document["source"] == "1-T01.wav"
    first = document["tracks"][0]
    assert [move["gain_db"] for move in first["moves"]] == [
        m.gain_db for m in read_moves(day.folder) if m.track == 1
    ]
    assert first["more_than_gain"], "the laugh must have met the limiter"
    assert all(0 < done["reduction_db"] <= 3.3 for done in first["more_than_gain"])
    assert read_sidecar(copy.target) == replace(copy, target=copy.target)


def test_undoing_a_float_copy_gives_the_original_or_its_neighbour_except_where_it_says(day: Roll) -> None:
    propose(day)
    (copy,) = render(day, encoding="float32")
    undone = undo(copy.target)
    original = soundfile.read(day.folder / "1-T01.wav", dtype="float32")[0]
    back = soundfile.read(undone.target, dtype="float32")[0]
    lost = np.zeros(original.shape, bool)
    for action in undone.lost:
        lost[action.start_samples : action.end_samples, action.channel] = True
    assert not undone.whole
    assert 0 < lost.sum() < RATE
    assert units(back, original)[~lost].max() <= 1
    assert units(back, original)[lost].max() > 1
    assert WavInfoReader(str(undone.target)).bext.time_reference == 36_000 * RATE


def test_undoing_with_no_limiter_in_the_way_is_whole(day: Roll) -> None:
    moves = [Move("1-1", t, 0.0, 12.0, g, 0.0, 0.4, True, "") for t, g in ((1, 11.3), (2, -41.7))]
    write_moves(day.folder, moves)
    (copy,) = render(day, encoding="float32", settings=LevelSettings(ceiling_dbtp=0.0, joins="db_linear"))
    undone = undo(copy.target)
    original = soundfile.read(day.folder / "1-T01.wav", dtype="float32")[0]
    assert undone.whole
    assert units(soundfile.read(undone.target, dtype="float32")[0], original).max() <= 1


def test_what_cannot_be_undone_says_so(day: Roll, tmp_path: Path) -> None:
    propose(day)
    (copy,) = render(day, encoding="int24")
    with pytest.raises(SettingError, match="rendered to int24: rounding and dither cannot be undone"):
        undo(copy.target)
    with pytest.raises(FileError, match="without that it cannot be undone"):
        undo(day.folder / "1-T01.wav")
    (copy,) = render(day, encoding="float32")
    undo(copy.target)
    with pytest.raises(DestinationError, match="exists already"):
        undo(copy.target)
    copy.sidecar.write_text("{}")
    with pytest.raises(FileError, match="not the text file of a levelled copy"):
        undo(copy.target, tmp_path)


def test_moves_that_were_written_out_and_read_back_give_the_same_file(day: Roll, tmp_path: Path) -> None:
    moves = propose(day)
    (first,) = render(day, tmp_path / "a", moves=moves, encoding="float32")
    (second,) = render(read_roll(day.folder), tmp_path / "b", encoding="float32")
    assert first.target.read_bytes() == second.target.read_bytes()
    (third,) = render(day, tmp_path / "c", encoding="int24")
    (fourth,) = render(day, tmp_path / "d", encoding="int24")
    assert third.target.read_bytes() == fourth.target.read_bytes()


def test_continuation_files_are_rendered_without_a_seam(sim, write_roll: Write, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    spoken = (sim.speak("mira", 30) * sim.amplitude(-12)).samples
    cut = 10 * RATE + 77
    spoken[cut - 300 : cut + 300] += (
        np.hanning(600) * np.sin(np.arange(600) / 7) * 0.3
    )  # over the ceiling at the seam
    samples = np.stack([spoken, spoken[::-1]], 1)
    roll = write_roll(samples, ["Boom", "Lav"], pieces=[cut, 7 * RATE])
    (take,) = roll.takes
    assert len(take.files) == 3
    moves = [
        Move("1-1", 1, 0.0, 9.9, 12.0, 0.0, 0.2, True, ""),
        Move("1-1", 1, 9.9, 99.0, 11.0, 0.2, 0.0, True, ""),
    ]
    copies = render(roll, tmp_path / "out", moves=moves, encoding="float32")
    joined = np.concatenate([samples_of(copy.target) for copy in copies])
    assert [copy.length_samples for copy in copies] == [cut, 7 * RATE, len(samples) - cut - 7 * RATE]
    whole_folder = tmp_path / "whole"
    whole_folder.mkdir()
    soundfile.write(whole_folder / "w.wav", samples.astype(np.float32), RATE, subtype="FLOAT")
    (whole,) = render(
        loose([whole_folder]),
        tmp_path / "out2",
        encoding="float32",
        moves=[replace(m, take="w") for m in moves],
    )
    assert np.array_equal(joined, samples_of(whole.target))
    seam = [a for a in copies[0].actions if a.end_samples == cut]
    assert seam
    assert [a for a in copies[1].actions if a.start_samples == 0]
    assert WavInfoReader(str(copies[1].target)).bext.time_reference == 36_000 * RATE + cut
    back = np.concatenate([samples_of(undo(copy.target).target) for copy in copies])
    assert np.abs(back[: cut - RATE] - samples[: cut - RATE]).max() < 1e-6


@pytest.mark.parametrize("where", [".", "deeper/still"])
def test_copies_never_lie_among_the_media(day: Roll, where: str) -> None:
    propose(day)
    with pytest.raises(DestinationError, match="lies among the media"):
        render(day, day.folder / where)


def test_loose_files_need_a_place(day: Roll) -> None:
    with pytest.raises(DestinationError, match="name a folder"):
        render(loose([day.folder / "1-T01.wav"]), moves=[])


def test_no_moves_no_copies(day: Roll) -> None:
    assert render(day) == ()
    assert not (day.folder / "takewell" / "levelled").exists()


@pytest.mark.parametrize(
    ("moves", "what"),
    [
        (
            [Move("1-1", 7, 0.0, 1.0, 1.0, 0.0, 0.0, True, "")],
            "names track 7 of take 1-1, which has 2 tracks",
        ),
        (
            [
                Move("1-1", 1, 0.0, 2.0, 1.0, 0.0, 0.0, True, ""),
                Move("1-1", 1, 1.0, 3.0, 1.0, 0.0, 0.0, True, ""),
            ],
            "take 1-1, track 1: gain moves overlap",
        ),
    ],
)
def test_moves_that_make_no_sense_are_named_and_nothing_is_written(
    day: Roll, moves: list[Move], what: str
) -> None:
    with pytest.raises(SettingError, match=what):
        render(day, moves=moves)
    assert not list((day.folder / "takewell").rglob("*.wav"))


def test_values_that_are_no_number_become_silence_and_are_listed(write_roll: Write) -> None:
    samples = np.full((3 * RATE, 1), 0.01)
    samples[1000:1003] = np.nan
    roll = write_roll(samples, ["Boom"])
    (copy,) = render(roll, encoding="int24", moves=[Move("1-1", 1, 0.0, 3.0, 20.0, 0.0, 0.0, True, "")])
    (action,) = copy.actions
    assert (action.what, action.start_samples, action.end_samples) == ("nonfinite", 1000, 1003)
    assert np.abs(samples_of(copy.target)[1000:1003]).max() <= 1.01 * 2.0**-23  # zero, dithered


def test_copies_of_loose_files_lie_in_any_folder_that_holds_none_of_them(day: Roll) -> None:
    files = loose([day.folder / "1-T01.wav"])
    moves = [Move(files.takes[0].id, 1, 0.0, 5.0, 3.0, 0.0, 0.0, True, "")]
    with pytest.raises(DestinationError, match="holds some of these files"):
        render(files, day.folder, moves=moves)
    (copy,) = render(files, day.folder / "beside", moves=moves)
    assert copy.target == day.folder / "beside" / "1-T01.wav"


def test_what_the_limiter_did_is_listed_beside_the_moves(day: Roll) -> None:
    moves = [Move("1-1", 1, 0.0, 60.0, 30.0, 0.0, 0.0, True, "")]
    copies = render(day, encoding="float32", moves=moves)
    done = limited(copies[0])
    path = write_limited(day.folder, copies)
    assert path == day.folder / "takewell" / "limited.csv"
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == done.places == len(copies[0].actions) > 0
    assert max(float(row["most_db"]) for row in rows) == pytest.approx(done.most_db, abs=5e-4)
    assert sum(float(r["end_s"]) - float(r["start_s"]) for r in rows) == pytest.approx(done.seconds, abs=1e-6)
    assert {(row["take"], row["track"], row["what"]) for row in rows} == {("1-1", "1", "limited")}
