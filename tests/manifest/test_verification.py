"""A folder held against its manifest."""

import shutil
from pathlib import Path

import pytest

from takewell.errors import FileError
from takewell.manifest import seal_folder, verify

DATA = Path(__file__).parents[1] / "data" / "manifest"


def test_an_untouched_folder_is_whole(card: Path) -> None:
    seal_folder(card)
    report = verify(card)
    assert report.whole
    assert report.sentence == "All 4 files are there and verified."
    assert [file.sentence for file in report.files] == [""] * 4


def test_every_changed_missing_and_extra_file_is_named(card: Path) -> None:
    seal_folder(card)
    data = bytearray((card / "MONDAY/1-1.wav").read_bytes())
    data[5_000] ^= 0x80
    (card / "MONDAY/1-1.wav").write_bytes(data)
    (card / "log sheet.txt").unlink()
    (card / "MONDAY/late.wav").write_bytes(b"never recorded")
    report = verify(card)
    assert not report.whole
    assert {file.path: file.verdict for file in report.files if file.verdict != "verified"} == {
        "MONDAY/1-1.wav": "changed",
        "log sheet.txt": "missing",
        "MONDAY/late.wav": "extra",
    }
    assert report.sentence == "2 of 5 files verified; 1 changed, 1 missing, 1 extra."
    sentences = {file.path: file.sentence for file in report.files}
    assert sentences["MONDAY/late.wav"].endswith("its hash was never recorded, so it is not verified.")
    assert "its size was" not in sentences["MONDAY/1-1.wav"]


def test_a_shortened_file_says_both_sizes(card: Path) -> None:
    seal_folder(card)
    (card / "MONDAY/1-1.wav").write_bytes(b"RIFF")
    changed = next(file for file in verify(card).files if file.verdict == "changed")
    assert changed.sentence.endswith("its size was 10244 bytes, now it is 4.")


def test_what_the_manifest_leaves_out_is_neither_missing_nor_extra(card: Path) -> None:
    seal_folder(card)
    (card / "takewell/notes.csv").write_text("a note")
    (card / "._1-1.wav").write_bytes(b"left by a system")
    assert verify(card).whole


def test_a_file_on_record_without_a_hash_is_not_verified(card: Path) -> None:
    manifest = seal_folder(card, ["md5"])
    text = manifest.read_text(encoding="utf-8")
    lines = text.splitlines(keepends=True)
    place = next(i for i, line in enumerate(lines) if "log sheet.txt" in line)
    assert "<md5" in lines[place + 1]
    del lines[place + 1]
    manifest.write_text("".join(lines), encoding="utf-8")
    _renew_chain(manifest)
    found = {file.path: file.verdict for file in verify(card).files}
    assert found["log sheet.txt"] == "not verified"


def _renew_chain(manifest: Path) -> None:
    from takewell.manifest.writing import _write_chain, hash_file

    _write_chain(manifest.parent, [(manifest.name, hash_file(manifest, ["c4"])["c4"])])


def test_nested_histories_speak_for_their_files(tmp_path: Path) -> None:
    root = shutil.copytree(DATA / "nested_history/Reels", tmp_path / "Reels")
    assert verify(root).sentence == "All 7 files are there and verified."
    (root / "A003R2EC/Sidecar.txt").write_text("changed")
    (root / "A002R2EC/Clips/A002C006_141024_R2EC.mov").unlink()
    assert {file.path: file.verdict for file in verify(root).files if file.verdict != "verified"} == {
        "A003R2EC/Sidecar.txt": "changed",
        "A002R2EC/Clips/A002C006_141024_R2EC.mov": "missing",
    }


def test_progress_counts_every_byte(card: Path) -> None:
    seal_folder(card)
    said: list[tuple[int, int]] = []
    verify(card, progress=lambda done, total: said.append((done, total)))
    total = sum(p.stat().st_size for p in card.rglob("*") if p.is_file() and p.suffix in (".wav", ".txt"))
    assert said[-1] == (total, total)


def test_a_folder_without_a_manifest_proves_nothing(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="has no manifest"):
        verify(tmp_path)


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is not a folder that is there"):
        verify(tmp_path / "gone")


def test_a_link_in_place_of_a_recorded_file_is_not_missing(card: Path, tmp_path: Path) -> None:
    seal_folder(card)
    path = card / "log sheet.txt"
    path.rename(tmp_path / "elsewhere.txt")
    path.symlink_to(tmp_path / "elsewhere.txt")
    assert verify(card).whole
