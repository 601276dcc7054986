"""A card comes home."""

import dataclasses
import hashlib
import json
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from takewell.checkin import CheckinProgress, check_in, verify_folder
from takewell.checkin.relay import BLOCK_BYTES
from takewell.errors import DestinationError, FileError, SettingError
from takewell.manifest import read_history, seal_folder

MEDIA = {"MONDAY/1-1.mov", "MONDAY/1-2.mov", "MONDAY/sub/Größe – 日本 & <a>.txt", "settings.xml", ".hidden"}
Listing = Callable[[Path], set[str]]
Leftovers = Callable[[Path], list[Path]]


def test_everything_comes_along_byte_for_byte(card: Path, tmp_path: Path, copied: Listing) -> None:
    report = check_in([card], [tmp_path / "a", tmp_path / "b"], hashes=["xxh128", "md5"])
    assert report.complete
    assert report.problems == ()
    assert {file.path for file in report.files} == MEDIA
    for place in (tmp_path / "a", tmp_path / "b"):
        assert copied(place) == MEDIA
        assert (place / "SOUND/empty").is_dir()
        for path in MEDIA:
            assert (place / path).read_bytes() == (card / path).read_bytes()
            # Times to the nanosecond the disk keeps.
            assert (place / path).stat().st_mtime_ns == (card / path).stat().st_mtime_ns
    for file in report.files:
        assert file.hashes["md5"] == hashlib.md5((card / file.path).read_bytes()).hexdigest()
        assert [copy.state for copy in file.copies] == ["copied", "copied"]


def test_the_card_is_left_as_it_was(card: Path, tmp_path: Path) -> None:
    def state() -> dict[str, tuple[int, int, int]]:
        return {
            str(path): ((stat := path.lstat()).st_size, stat.st_mtime_ns, stat.st_mode)
            for path in sorted(card.rglob("*"))
        }

    before = state()
    check_in([card], [tmp_path / "a"])
    assert state() == before


def test_what_systems_leave_behind_is_left_out_and_named(card: Path, tmp_path: Path) -> None:
    report = check_in([card], [tmp_path / "a"])
    assert {item.path for item in report.left_out} == {
        ".DS_Store",
        "MONDAY/._1-1.mov",
        ".Spotlight-V100",
        "System Volume Information",
    }
    assert not any(item.matters for item in report.left_out)


@pytest.mark.usefixtures("separate_disks")
def test_a_link_is_left_out_and_speaks_against_erasing(card: Path, tmp_path: Path) -> None:
    (card / "link.mov").symlink_to("MONDAY/1-1.mov")
    report = check_in([card], [tmp_path / "a", tmp_path / "b"])
    assert [item.path for item in report.left_out if item.matters] == ["link.mov"]
    assert not report.safe_to_erase
    assert "link.mov is on the card and not copied" in report.sentence


def test_each_destination_gets_a_manifest_that_verifies(card: Path, tmp_path: Path) -> None:
    report = check_in([card], [tmp_path / "a", tmp_path / "b"], hashes=["xxh64"])
    for place, told in zip((tmp_path / "a", tmp_path / "b"), report.destinations, strict=True):
        assert told.manifest is not None
        assert Path(told.manifest).parent == place / "ascmhl"
        (generation,) = read_history(place).generations
        assert generation.process == "transfer"
        assert {file.path for file in generation.files} == MEDIA
        assert verify_folder(place).whole
    data = bytearray((tmp_path / "a/MONDAY/1-1.mov").read_bytes())
    data[-1] ^= 1
    (tmp_path / "a/MONDAY/1-1.mov").write_bytes(data)
    found = {file.path: file.verdict for file in verify_folder(tmp_path / "a").files}
    assert found["MONDAY/1-1.mov"] == "changed"


@pytest.mark.outside
def test_the_reference_implementation_accepts_a_checked_in_roll(
    card: Path, tmp_path: Path, reference_mhl: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    check_in([card], [tmp_path / "a"])
    done = reference_mhl("create", "-v", tmp_path / "a")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("verified") == len(MEDIA)


def test_a_second_run_copies_nothing_and_verifies_all(card: Path, tmp_path: Path) -> None:
    check_in([card], [tmp_path / "a"])
    before = {path: path.stat().st_ino for path in (tmp_path / "a").rglob("*.mov")}
    report = check_in([card], [tmp_path / "a"])
    assert report.complete
    assert {copy.state for file in report.files for copy in file.copies} == {"identical"}
    assert {path: path.stat().st_ino for path in (tmp_path / "a").rglob("*.mov")} == before
    second = read_history(tmp_path / "a").generations[1]
    assert {h.action for file in second.files for h in file.hashes.values()} == {"verified"}


def test_a_second_visit_copies_what_is_new(card: Path, tmp_path: Path) -> None:
    check_in([card], [tmp_path / "a"])
    (card / "MONDAY/1-3.mov").write_bytes(b"in the afternoon")
    report = check_in([card], [tmp_path / "a"])
    assert report.complete
    assert [file.path for file in report.files if file.copies[0].state == "copied"] == ["MONDAY/1-3.mov"]
    assert verify_folder(tmp_path / "a").whole


def test_a_second_destination_can_be_added_later(card: Path, tmp_path: Path) -> None:
    check_in([card], [tmp_path / "a"])
    report = check_in([card], [tmp_path / "a", tmp_path / "b"])
    assert report.complete
    assert {(a.state, b.state) for a, b in (file.copies for file in report.files)} == {
        ("identical", "copied")
    }


def test_a_different_file_is_never_overwritten_and_the_rest_goes_on(
    card: Path, tmp_path: Path, copied: Listing
) -> None:
    (tmp_path / "a/MONDAY").mkdir(parents=True)
    (tmp_path / "a/MONDAY/1-2.mov").write_bytes(b"y" * 50_000)  # the same size
    (tmp_path / "a/settings.xml").write_bytes(b"of another size")
    report = check_in([card], [tmp_path / "a", tmp_path / "b"])
    assert not report.complete
    assert (tmp_path / "a/MONDAY/1-2.mov").read_bytes() == b"y" * 50_000
    assert (tmp_path / "a/settings.xml").read_bytes() == b"of another size"
    refused = [f.path for f in report.files if f.copies[0].state == "refused"]
    assert refused == ["MONDAY/1-2.mov", "settings.xml"]
    assert len(report.problems) == 2
    assert all("is there already and is another file" in sentence for sentence in report.problems)
    assert copied(tmp_path / "b") == MEDIA
    # What was refused is in no manifest; the rest is.
    assert {file.path: file.verdict for file in verify_folder(tmp_path / "a").files}[
        "settings.xml"
    ] == "extra"


def test_a_copy_that_rotted_since_is_told_from_a_different_file(card: Path, tmp_path: Path) -> None:
    check_in([card], [tmp_path / "a"])
    path = tmp_path / "a/MONDAY/1-2.mov"
    data = bytearray(path.read_bytes())
    data[7] ^= 4
    path.write_bytes(data)
    report = check_in([card], [tmp_path / "a"])
    assert len(report.problems) == 1
    assert "has changed since it was copied from the card" in report.problems[0]


def test_mirrored_slots_are_copied_once_and_both_are_noted(card: Path, tmp_path: Path) -> None:
    other = shutil.copytree(card, tmp_path / "slot b")
    report = check_in([card, other], [tmp_path / "a"])
    assert report.complete
    states = [(file.card, file.copies[0].state) for file in report.files]
    assert states.count((str(card), "copied")) == len(MEDIA)
    assert states.count((str(other), "identical")) == len(MEDIA)
    assert {file.note for file in report.files if file.card == str(other)} == {"lies on an earlier card, too"}
    assert len(read_history(tmp_path / "a").generations) == 1


def test_a_mirrored_slot_that_differs_is_named(card: Path, tmp_path: Path) -> None:
    other = shutil.copytree(card, tmp_path / "slot b")
    data = bytearray((other / "MONDAY/1-2.mov").read_bytes())
    data[0] ^= 1
    (other / "MONDAY/1-2.mov").write_bytes(data)
    report = check_in([card, other], [tmp_path / "a"])
    assert len(report.problems) == 1
    assert "1-2.mov is there already and is another file (other content)" in report.problems[0]
    assert str(other) in report.problems[0]


def test_a_mirrored_slot_stands_in_for_a_card_that_cannot_be_read(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = shutil.copytree(card, tmp_path / "slot b")
    _unreadable(monkeypatch, card / "MONDAY/1-2.mov")
    report = check_in([card, other], [tmp_path / "a"])
    assert (tmp_path / "a/MONDAY/1-2.mov").read_bytes() == (other / "MONDAY/1-2.mov").read_bytes()
    by_card = {(f.card, f.path): f.copies[0].state for f in report.files}
    assert by_card[str(card), "MONDAY/1-2.mov"] == "failed"
    assert by_card[str(other), "MONDAY/1-2.mov"] == "copied"
    assert verify_folder(tmp_path / "a").whole


def _unreadable(monkeypatch: pytest.MonkeyPatch, path: Path) -> None:
    """Let a file fail as a bad sector does."""
    import errno

    from takewell.checkin import relay

    inode = path.stat().st_ino
    whole = relay.read_block

    def read(handle: int, size_bytes: int) -> bytes:
        if os.fstat(handle).st_ino == inode:
            raise OSError(errno.EIO, "Input/output error")
        return whole(handle, size_bytes)

    monkeypatch.setattr(relay, "read_block", read)


def test_one_unreadable_file_does_not_stop_the_others(
    card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, copied: Listing, half_written: Leftovers
) -> None:
    _unreadable(monkeypatch, card / "MONDAY/1-1.mov")
    report = check_in([card], [tmp_path / "a"])
    assert copied(tmp_path / "a") == MEDIA - {"MONDAY/1-1.mov"}
    assert half_written(tmp_path) == []
    (problem,) = report.problems
    assert problem.startswith(f"{card}/MONDAY/1-1.mov cannot be read (Input/output error)")
    assert verify_folder(tmp_path / "a").whole


def test_the_history_a_card_carries_is_continued(card: Path, tmp_path: Path) -> None:
    seal_folder(card, ["md5"])
    report = check_in([card], [tmp_path / "a"])
    assert report.complete
    first, second = read_history(tmp_path / "a").generations
    assert first.file_name.startswith("0001_card_")
    assert second.file_name.startswith("0002_a_")
    assert {tuple(file.hashes) for file in second.files} == {("md5", "xxh128")}
    assert {h.action for file in second.files for h in file.hashes.values()} == {"verified"}
    # And once more: the card's history is a beginning of the roll's.
    again = check_in([card], [tmp_path / "a"])
    assert again.complete
    assert again.notes == ()
    assert len(read_history(tmp_path / "a").generations) == 3


@pytest.mark.usefixtures("separate_disks")
def test_a_card_that_is_not_what_its_manifest_says_is_doubted(card: Path, tmp_path: Path) -> None:
    seal_folder(card)
    (card / "settings.xml").write_bytes(b"changed after it was sealed")
    report = check_in([card], [tmp_path / "a", tmp_path / "b"])
    assert (tmp_path / "a/settings.xml").read_bytes() == b"changed after it was sealed"
    assert not report.safe_to_erase
    assert "settings.xml is not what the card's own manifest recorded" in report.sentence


def test_a_second_cards_own_history_stays_there_but_is_held_against(card: Path, tmp_path: Path) -> None:
    check_in([card], [tmp_path / "a"])
    second = tmp_path / "second"
    (second / "TUESDAY").mkdir(parents=True)
    (second / "TUESDAY/2-1.mov").write_bytes(b"tuesday")
    seal_folder(second, ["sha1"])
    report = check_in([second], [tmp_path / "a"])
    assert report.complete
    assert "has a manifest history of its own" in report.notes[0]
    assert [g.file_name[:4] for g in read_history(tmp_path / "a").generations] == ["0001", "0002"]
    assert set(read_history(tmp_path / "a").generations[1].files[0].hashes) == {"sha1", "xxh128"}


@pytest.mark.usefixtures("separate_disks")
def test_a_damaged_history_of_a_card_is_left_behind_and_said(card: Path, tmp_path: Path) -> None:
    manifest = seal_folder(card)
    manifest.write_bytes(b"<hashlist")
    report = check_in([card], [tmp_path / "a", tmp_path / "b"])
    assert report.complete
    assert not report.safe_to_erase
    assert {item.path for item in report.left_out if item.matters} == {
        f"ascmhl/{manifest.name}",
        "ascmhl/ascmhl_chain.xml",
    }
    assert verify_folder(tmp_path / "a").whole


def test_two_cards_of_one_recorder_go_into_one_roll(card: Path, tmp_path: Path) -> None:
    second = tmp_path / "second"
    (second / "MONDAY").mkdir(parents=True)
    (second / "MONDAY/9-1.mov").write_bytes(b"after lunch")
    report = check_in([card, second], [tmp_path / "a"])
    assert report.complete
    assert [told.files for told in report.cards] == [len(MEDIA), 1]
    assert verify_folder(tmp_path / "a").whole


def test_notes_beside_a_roll_come_along_and_what_can_be_computed_does_not(card: Path, tmp_path: Path) -> None:
    (card / "takewell").mkdir()
    (card / "takewell/notes.csv").write_text("a note")
    (card / "takewell/logbook.sqlite").write_bytes(b"SQLite format 3\0")
    report = check_in([card], [tmp_path / "a"], measure=False)
    assert report.complete
    assert (tmp_path / "a/takewell/notes.csv").read_text() == "a note"
    assert not (tmp_path / "a/takewell/logbook.sqlite").exists()
    assert verify_folder(tmp_path / "a").whole


@pytest.mark.parametrize("size", [0, 1, BLOCK_BYTES - 1, BLOCK_BYTES, BLOCK_BYTES + 1, 3 * BLOCK_BYTES])
def test_any_size_is_copied_whole(tmp_path: Path, size: int) -> None:
    (tmp_path / "card").mkdir()
    data = os.urandom(1000) * (size // 1000 + 1)
    (tmp_path / "card/x.bin").write_bytes(data[:size])
    assert check_in([tmp_path / "card"], [tmp_path / "a"]).complete
    assert (tmp_path / "a/x.bin").read_bytes() == data[:size]


def test_names_of_every_kind_come_along(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    names = [
        " lead and trail ",
        "a\tb",
        "line\nend",
        "🎤",
        "e\u0301.wav",
        "\u00e9.wav",
        "-rf",
        "a" * 255,
        "%41",
        "\\x",
    ]
    for name in names:
        (tmp_path / "card" / name).write_text(name)
    broken = os.fsdecode(b"not text \xff.wav")
    (tmp_path / "card" / broken).write_text("x")
    report = check_in([tmp_path / "card"], [tmp_path / "a"], measure=False)
    assert report.complete
    for name in names:
        assert (tmp_path / "a" / name).read_text() == name
    assert (tmp_path / "a" / broken).exists()
    # What a manifest cannot hold is copied, verified and said; the report itself can always be printed.
    assert {note.split(" is copied")[0] for note in report.notes} == {
        r"a\tb",
        r"line\nend",
        r"not text \xff.wav",
    }
    json.dumps(dataclasses.asdict(report), ensure_ascii=False).encode("utf-8")


def test_a_report_goes_into_json(card: Path, tmp_path: Path) -> None:
    report = check_in([card], [tmp_path / "a"])
    told = json.loads(json.dumps(dataclasses.asdict(report)))
    assert told["complete"] is True
    assert told["files"][0]["copies"][0]["state"] == "copied"


def test_a_dry_run_changes_nothing_and_names_the_same_steps(card: Path, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a/settings.xml").write_bytes(b"of another size")
    before = sorted(tmp_path.rglob("*"))
    dry = check_in([card], [tmp_path / "a", tmp_path / "b"], dry_run=True)
    assert sorted(tmp_path.rglob("*")) == before
    assert dry.dry_run
    assert not dry.complete
    assert not dry.safe_to_erase
    real = check_in([card], [tmp_path / "a", tmp_path / "b"])
    assert dry.plan == real.plan
    assert [step.action for step in dry.plan].count("copy") == 2 * len(MEDIA) - 1
    assert dry.problems == real.problems


def test_progress_ends_at_the_whole(card: Path, tmp_path: Path) -> None:
    said: list[CheckinProgress] = []
    check_in([card], [tmp_path / "a", tmp_path / "b"], measure=False, progress=said.append)
    size = sum((card / path).stat().st_size for path in MEDIA)
    assert said[-1].read_bytes == size
    assert said[-1].done_bytes == said[-1].total_bytes == 3 * size
    assert [s.done_bytes for s in said] == sorted(s.done_bytes for s in said)
    assert said[0].seconds_left is None
    assert any(s.rate_bytes_per_s > 0 for s in said)


# What cannot be begun is one sentence, and nothing is written.


def test_a_card_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="card is not there"):
        check_in([tmp_path / "card"], [tmp_path / "a"])
    assert list(tmp_path.iterdir()) == []


def test_an_empty_card(tmp_path: Path) -> None:
    (tmp_path / "card/.Trashes").mkdir(parents=True)
    with pytest.raises(FileError, match="There is nothing on"):
        check_in([tmp_path / "card"], [tmp_path / "a"])
    assert not (tmp_path / "a").exists()


def test_a_file_is_no_card(card: Path, tmp_path: Path) -> None:
    with pytest.raises(FileError, match="is a file"):
        check_in([card / "settings.xml"], [tmp_path / "a"])


def test_a_destination_that_is_a_file(card: Path, tmp_path: Path) -> None:
    (tmp_path / "a").write_text("a file")
    with pytest.raises(DestinationError, match="is a file"):
        check_in([card], [tmp_path / "a"])


def test_a_destination_on_a_disk_that_is_not_there(card: Path, tmp_path: Path) -> None:
    with pytest.raises(DestinationError, match="connect the disk or create that folder first"):
        check_in([card], [tmp_path / "no disk/roll"])
    assert not (tmp_path / "no disk").exists()


@pytest.mark.usefixtures("card")
@pytest.mark.parametrize(
    ("sources", "destinations", "message"),
    [
        (["card"], ["card"], "as card and as destination"),
        (["card"], ["card/MONDAY"], "lies inside"),
        (["card/MONDAY"], ["card"], "lies inside"),
        (["card", "card/MONDAY"], ["a"], "lies inside"),
        (["card", "card/../card"], ["a"], "is named twice"),
        (["card"], ["a", "a"], "is named twice"),
        (["card"], ["a", "a/b"], "lies inside"),
        ([], ["a"], "No card"),
        (["card"], [], "No destination"),
    ],
)
def test_paths_that_lie_in_each_other(
    tmp_path: Path, sources: list[str], destinations: list[str], message: str
) -> None:
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(SettingError, match=message):
        check_in([tmp_path / p for p in sources], [tmp_path / p for p in destinations])
    assert sorted(tmp_path.rglob("*")) == before


def test_a_link_to_the_card_is_the_card(card: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(card)
    with pytest.raises(SettingError, match="as card and as destination"):
        check_in([card], [tmp_path / "link"])


def test_an_unknown_hash(card: Path, tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="'crc' is unknown"):
        check_in([card], [tmp_path / "a"], hashes=["crc"])
    assert not (tmp_path / "a").exists()


def test_a_destination_whose_manifest_is_damaged(card: Path, tmp_path: Path) -> None:
    check_in([card], [tmp_path / "a"])
    (tmp_path / "a/ascmhl/ascmhl_chain.xml").write_bytes(b"")
    with pytest.raises(FileError, match=r"ascmhl_chain\.xml is damaged"):
        check_in([card], [tmp_path / "a"])
