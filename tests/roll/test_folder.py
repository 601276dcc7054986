"""Folders are read as rolls: what counts as media, what is cached, what is left alone."""

import os
import shutil
from pathlib import Path

import pytest
import soundfile

from takewell.errors import FileError, SettingError
from takewell.roll import (
    Logbook,
    Note,
    TrackLabel,
    is_roll,
    loose,
    open_roll,
    read_roll,
    write_labels,
    write_notes,
)
from takewell.wave import audio_file

RATE = 48_000


def listing(folder: Path) -> dict[str, int]:
    return {str(p.relative_to(folder)): p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}


def test_a_day_is_read_from_its_headers(day_folder: Path) -> None:
    roll = read_roll(day_folder)
    assert [take.id for take in roll.takes] == ["14-2", "14-3"]
    first = roll.take("14-2")
    assert [track.role for track in first.tracks] == ["iso"] * 3 + ["safety"] * 3
    assert [track.name for track in first.tracks] == ["Boom", "Lav 1", "Lav 2"] * 2
    assert first.length_samples == 3 * RATE
    assert str(first.start) == "10:00:00:00"
    assert first.files[0].size_bytes == (day_folder / "14-2_0001.wav").stat().st_size
    assert roll.other_files == ("notes of the day.txt",)
    assert roll.unreadable == ()
    assert roll.warnings == ()
    assert roll.keeps


def test_a_second_reading_opens_no_media(day_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = read_roll(day_folder)

    def refuse(path: object) -> None:
        raise AssertionError(f"{path} was opened again")

    monkeypatch.setattr(audio_file, "FileSource", refuse)
    assert read_roll(day_folder) == first


def test_what_changed_is_read_again_and_what_left_is_forgotten(day_folder: Path) -> None:
    read_roll(day_folder)
    (day_folder / "14-3.wav").rename(day_folder / "moved.wav")
    shutil.copy(day_folder / "14-2_0002.wav", day_folder / "14-2_0001.wav")
    roll = read_roll(day_folder)
    assert {file.path for take in roll.takes for file in take.files} >= {"moved.wav"}
    with Logbook(day_folder) as logbook:
        assert "14-3.wav" not in logbook.headers()
        assert logbook.headers()["14-2_0001.wav"].info.length_samples == 2 * RATE


def test_the_logbook_may_be_deleted(day_folder: Path) -> None:
    write_notes(day_folder, [Note("14-2", note="plane")])
    write_labels(day_folder, [TrackLabel("*", 1, "Host")])
    first = read_roll(day_folder)
    assert first.take("14-2").note == "plane"
    assert first.take("14-3").tracks[0].name == "Host"
    for file in (day_folder / "takewell").glob("logbook*"):
        file.unlink()
    assert read_roll(day_folder) == first


def test_a_file_that_cannot_be_read_does_not_sink_the_rest(day_folder: Path) -> None:
    (day_folder / "empty.wav").touch()
    (day_folder / "text.wav").write_text("this is no sound", encoding="utf-8")
    (day_folder / "gone.wav").symlink_to(day_folder / "nowhere.wav")
    roll = read_roll(day_folder)
    assert len(roll.takes) == 2
    assert len(roll.unreadable) == 3
    for name, sentence in zip(("empty.wav", "gone.wav", "text.wav"), roll.unreadable, strict=True):
        assert name in sentence
        assert sentence.count("\n") == 0


def test_other_containers_are_sound_too(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.FLAC", [[0.0, 0.1]] * 480, RATE)
    soundfile.write(tmp_path / "b.aiff", [[0.0, 0.1]] * 480, RATE)
    roll = read_roll(tmp_path)
    assert sorted(take.files[0].container for take in roll.takes) == ["AIFF", "FLAC"]


def test_an_empty_folder_and_no_folder(tmp_path: Path) -> None:
    assert read_roll(tmp_path).warnings == (f"{tmp_path} holds no sound files.",)
    with pytest.raises(FileError, match="does not exist"):
        read_roll(tmp_path / "nothing")
    (tmp_path / "file").touch()
    with pytest.raises(FileError, match="is a file, not a folder"):
        read_roll(tmp_path / "file")


def test_a_take_nobody_knows_is_one_sentence(day_folder: Path) -> None:
    with pytest.raises(SettingError, match="has no take '99'"):
        read_roll(day_folder).take("99")


@pytest.mark.skipif(os.name == "nt", reason="names are Unicode there")
def test_a_file_name_that_is_no_text_is_kept(day_folder: Path) -> None:
    odd = os.fsdecode(os.fsencode(day_folder) + b"/bad \xff name.wav")
    shutil.copy(day_folder / "14-3.wav", odd)
    first = read_roll(day_folder)
    assert read_roll(day_folder) == first
    paths = [file.path for take in first.takes for file in take.files]
    assert os.fsencode(paths[-1]) == b"bad \xff name.wav" or b"bad \xff name.wav" in map(os.fsencode, paths)
    for take in first.takes:
        take.id.encode("utf-8")


def test_loose_files_leave_nothing_behind(day_folder: Path) -> None:
    before = listing(day_folder)
    roll = loose([day_folder])
    assert [take.id for take in roll.takes] == ["14-2", "14-3"]
    assert not roll.keeps
    assert listing(day_folder) == before
    assert not (day_folder / "takewell").exists()


def test_loose_files_from_several_places(day_folder: Path, tmp_path: Path) -> None:
    other = tmp_path / "else" / "deep"
    other.mkdir(parents=True)
    shutil.copy(day_folder / "14-3.wav", other / "copy.dat")
    roll = loose([day_folder / "14-2_0001.wav", other / "copy.dat", day_folder / "missing.wav"])
    assert roll.folder.resolve() == tmp_path.resolve()
    assert [file.path for take in roll.takes for file in take.files] == [
        "roll/14-2_0001.wav",
        "else/deep/copy.dat",
    ]
    for take in roll.takes:
        assert (roll.folder / take.files[0].path).is_file()
    assert "missing.wav" in roll.unreadable[0]
    with pytest.raises(FileError, match="No files were given"):
        loose([])


def test_one_folder_of_a_roll_is_a_roll_and_all_else_is_loose(day_folder: Path, tmp_path: Path) -> None:
    assert is_roll(day_folder)
    assert open_roll([day_folder]).keeps
    assert not open_roll([day_folder / "14-3.wav"]).keeps
    assert not open_roll([day_folder, tmp_path]).keeps
    assert not is_roll(tmp_path)


def test_a_wrong_line_of_a_text_file_stops_the_reading(day_folder: Path) -> None:
    write_labels(day_folder, [])
    (day_folder / "takewell" / "tracks.csv").write_text("take,track,role\n*,1,boss\n", encoding="utf-8")
    with pytest.raises(SettingError, match=r"tracks\.csv, line 2"):
        read_roll(day_folder)
