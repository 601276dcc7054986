"""Disks that are full, read-only, lying or gone: one sentence each, and what was copied stays verified."""

import errno
import os
import resource
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from takewell.checkin import CheckinProgress, check_in, copying, relay, verify_folder, visit
from takewell.errors import DestinationError

Listing = Callable[[Path], set[str]]
Leftovers = Callable[[Path], list[Path]]


@pytest.fixture
def full_card(tmp_path: Path) -> Path:
    root = tmp_path / "card"
    root.mkdir()
    for number in range(6):
        (root / f"{number}.mov").write_bytes(os.urandom(400_000))
    return root


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system with room for 2 MB and no more."""
    point = tmp_path / "small"
    point.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", point], capture_output=True, text=True, check=False
    )
    if made.returncode:
        pytest.skip(f"a small file system cannot be mounted here: {made.stderr.strip()}")
    yield point
    subprocess.run(["umount", point], check=True)


def refuse_writing(monkeypatch: pytest.MonkeyPatch, below: Path, after_bytes: int, number: int) -> None:
    """Let writing to media files below a folder fail once so many bytes are written."""
    whole = os.write
    written = 0

    def write(handle: int, data: bytes) -> int:
        nonlocal written
        name = str(Path(f"/proc/self/fd/{handle}").readlink())
        if name.startswith(f"{below}/") and ".part" in name:
            if written + len(data) > after_bytes:
                raise OSError(number, os.strerror(number))
            written += len(data)
        return whole(handle, data)

    monkeypatch.setattr(copying.os, "write", write)


def test_what_cannot_fit_is_refused_before_the_first_byte(full_card: Path, small_disk: Path) -> None:
    with pytest.raises(DestinationError, match=r"has 2\.1 MB free and 2\.4 MB are to be written"):
        check_in([full_card], [small_disk / "roll"])
    assert not list(small_disk.rglob("*.mov"))


def test_two_destinations_on_one_disk_share_its_room(full_card: Path, small_disk: Path) -> None:
    for path in sorted(full_card.iterdir())[3:]:
        path.unlink()
    with pytest.raises(DestinationError, match=r"2\.4 MB are to be written to that disk"):
        check_in([full_card], [small_disk / "a", small_disk / "b"])


def test_a_disk_that_fills_up_meanwhile(
    full_card: Path,
    tmp_path: Path,
    small_disk: Path,
    monkeypatch: pytest.MonkeyPatch,
    copied: Listing,
    half_written: Leftovers,
) -> None:
    monkeypatch.setattr(visit, "free_bytes", lambda _root: 10**12)
    for number in (6, 7):
        (full_card / f"{number}.mov").write_bytes(os.urandom(400_000))
    report = check_in([full_card], [small_disk / "roll", tmp_path / "b"], measure=False)
    assert not report.complete
    there = copied(small_disk / "roll")
    assert 3 <= len(there) < 7
    assert half_written(tmp_path) == []
    assert "the disk is full" in report.problems[0]
    assert "takes no more files; what was copied there stays and is verified" in report.problems[1]
    assert len(report.problems) == 2
    states = {file.path: [copy.state for copy in file.copies] for file in report.files}
    assert all(states[path] == ["copied", "copied"] for path in there)
    assert all(states[path][0] == "failed" for path in set(states) - there)
    assert copied(tmp_path / "b") == set(states)
    assert verify_folder(tmp_path / "b").whole
    # Room is made, and the same line again brings the rest.
    subprocess.run(["mount", "-o", "remount,size=8m", small_disk], check=True)
    again = check_in([full_card], [small_disk / "roll", tmp_path / "b"])
    assert again.complete
    assert verify_folder(small_disk / "roll").whole


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS, errno.EIO, errno.ENODEV])
def test_a_destination_that_stops_taking_files(
    full_card: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    number: int,
    copied: Listing,
    half_written: Leftovers,
) -> None:
    refuse_writing(monkeypatch, tmp_path / "a", 1_000_000, number)
    report = check_in([full_card], [tmp_path / "a", tmp_path / "b"])
    assert copied(tmp_path / "a") == {"0.mov", "1.mov"}
    assert copied(tmp_path / "b") == {f"{n}.mov" for n in range(6)}
    assert half_written(tmp_path) == []
    assert len(report.problems) == 2
    assert verify_folder(tmp_path / "a").whole
    assert not report.safe_to_erase


def test_no_card_is_read_for_nobody(full_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    refuse_writing(monkeypatch, tmp_path / "a", 0, errno.ENOSPC)
    read: list[int] = []
    whole = relay.read_block
    monkeypatch.setattr(relay, "read_block", lambda *a: read.append(1) or whole(*a))
    report = check_in([full_card], [tmp_path / "a"])
    assert len(read) == 2  # the first file's one block and its end
    assert {file.copies[0].state for file in report.files} == {"failed"}
    assert report.destinations[0].manifest is None


def test_a_file_too_large_for_the_file_system_is_one_files_trouble(full_card: Path, tmp_path: Path) -> None:
    (full_card / "3.mov").write_bytes(bytes(3_000_000))
    code = (
        "import sys, json, dataclasses\n"
        "from takewell.checkin import check_in\n"
        "report = check_in([sys.argv[1]], [sys.argv[2]], measure=False)\n"
        "print(json.dumps(dataclasses.asdict(report)))\n"
    )

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (1_000_000, 1_000_000))

    done = subprocess.run(
        [sys.executable, "-c", code, full_card, tmp_path / "a"],
        capture_output=True,
        text=True,
        check=True,
        preexec_fn=limit,
    )
    import json

    report = json.loads(done.stdout)
    assert [f["path"] for f in report["files"] if f["copies"][0]["state"] == "failed"] == ["3.mov"]
    assert len(report["problems"]) == 1
    assert "grows larger than this disk's file system allows" in report["problems"][0]
    assert verify_folder(tmp_path / "a").sentence == "All 5 files are there and verified."


def test_a_name_too_long_for_the_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card/ok.mov").write_bytes(b"ok")
    (tmp_path / "card" / ("x" * 200)).write_bytes(b"long")
    whole = os.link

    def short_names_only(source: str, target: str, **_more: object) -> None:
        if len(Path(target).name) > 143:  # as an encrypting file system has it
            raise OSError(errno.ENAMETOOLONG, "File name too long")
        whole(source, target)

    monkeypatch.setattr(os, "link", short_names_only)
    monkeypatch.setattr(os, "replace", short_names_only)
    monkeypatch.setattr(os, "rename", short_names_only)
    report = check_in([tmp_path / "card"], [tmp_path / "a"], measure=False)
    assert len(report.problems) == 1
    assert "the name is too long for this disk" in report.problems[0]
    assert (tmp_path / "a/ok.mov").read_bytes() == b"ok"


def test_a_read_only_destination(full_card: Path, small_disk: Path) -> None:
    (small_disk / "roll").mkdir()
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True)
    with pytest.raises(DestinationError, match="read-only"):
        check_in([full_card], [small_disk / "roll"])


def test_a_disk_that_gives_back_other_bytes(
    full_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, copied: Listing
) -> None:
    whole = copying.CopyWriter.finish

    def rot(self: copying.CopyWriter, modified_ns: int) -> None:
        whole(self, modified_ns)
        if self.target == tmp_path / "a/2.mov":
            data = bytearray(self.target.read_bytes())
            data[1234] ^= 1
            self.target.write_bytes(data)

    monkeypatch.setattr(copying.CopyWriter, "finish", rot)
    report = check_in([full_card], [tmp_path / "a", tmp_path / "b"])
    assert copied(tmp_path / "a") == {f"{n}.mov" for n in range(6)} - {"2.mov"}
    assert len(report.problems) == 1
    assert "read back differs from what was written and was removed" in report.problems[0]
    assert verify_folder(tmp_path / "a").whole


def test_a_card_pulled_out(full_card: Path, tmp_path: Path, copied: Listing, half_written: Leftovers) -> None:
    gone = tmp_path / "pulled"

    def pull(progress: CheckinProgress) -> None:
        if progress.file == "3.mov" and full_card.exists():
            full_card.rename(gone)

    report = check_in([full_card], [tmp_path / "a", tmp_path / "b"], progress=pull)
    (problem,) = report.problems
    assert problem.startswith(f"The card at {full_card} is gone; what was copied stays and is verified")
    assert copied(tmp_path / "a") == copied(tmp_path / "b") == {"0.mov", "1.mov", "2.mov"}
    assert half_written(tmp_path) == []
    assert not report.safe_to_erase
    assert verify_folder(tmp_path / "a").whole
    # Put back, it goes on, and what was finished is not read from the card again.
    gone.rename(full_card)
    assert check_in([full_card], [tmp_path / "a", tmp_path / "b"]).complete
    assert verify_folder(tmp_path / "b").sentence == "All 6 files are there and verified."


def test_the_other_slot_goes_on_when_a_card_is_pulled_out(
    full_card: Path, tmp_path: Path, copied: Listing
) -> None:
    other = shutil.copytree(full_card, tmp_path / "slot b")

    def pull(progress: CheckinProgress) -> None:
        if progress.file == "2.mov" and full_card.exists():
            shutil.rmtree(full_card)

    report = check_in([full_card, other], [tmp_path / "a"], progress=pull)
    assert copied(tmp_path / "a") == {f"{n}.mov" for n in range(6)}
    assert len(report.problems) == 1
    assert verify_folder(tmp_path / "a").whole


def test_a_recorder_that_is_still_writing(full_card: Path, tmp_path: Path, copied: Listing) -> None:
    def grow(progress: CheckinProgress) -> None:
        if progress.file == "4.mov" and (full_card / "4.mov").stat().st_size == 400_000:
            with (full_card / "4.mov").open("ab") as handle:
                handle.write(b"more")

    report = check_in([full_card], [tmp_path / "a"], progress=grow)
    (problem,) = report.problems
    assert (
        "4.mov changed while it was being read and was not copied; is the recorder still writing?" in problem
    )
    assert "4.mov" not in copied(tmp_path / "a")


def test_a_file_that_vanishes_from_the_card(full_card: Path, tmp_path: Path) -> None:
    def remove(progress: CheckinProgress) -> None:
        if progress.file == "1.mov":
            (full_card / "5.mov").unlink(missing_ok=True)

    report = check_in([full_card], [tmp_path / "a"], progress=remove)
    (problem,) = report.problems
    assert "5.mov cannot be read (No such file or directory)" in problem


def test_a_name_taken_while_the_file_was_read(full_card: Path, tmp_path: Path) -> None:
    def take(progress: CheckinProgress) -> None:
        if progress.file == "2.mov":
            (tmp_path / "a/5.mov").write_bytes(b"somebody else's")

    report = check_in([full_card], [tmp_path / "a"], progress=take)
    (problem,) = report.problems
    assert "it exists already" in problem
    assert (tmp_path / "a/5.mov").read_bytes() == b"somebody else's"


def test_a_manifest_that_cannot_be_written_is_said(
    full_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_args: object, **_kwargs: object) -> None:
        raise DestinationError("the disk is full.")

    monkeypatch.setattr("takewell.checkin.run.write_generation", broken)
    report = check_in([full_card], [tmp_path / "a"])
    assert not report.complete
    assert report.problems == (f"{tmp_path}/a got no manifest for this check-in: the disk is full.",)


def test_a_folder_of_the_card_that_cannot_be_looked_through(
    full_card: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, copied: Listing
) -> None:
    (full_card / "bad").mkdir()
    (full_card / "bad/9.mov").write_bytes(b"out of reach")
    whole = os.scandir

    def scan(path: object) -> object:
        if str(path).endswith("card/bad"):
            raise OSError(errno.EIO, "Input/output error")
        return whole(path)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "scandir", scan)
    report = check_in([full_card], [tmp_path / "a"])
    assert copied(tmp_path / "a") == {f"{n}.mov" for n in range(6)}
    assert [(item.path, item.reason) for item in report.left_out] == [
        ("bad", "the folder cannot be looked through (Input/output error)")
    ]
    assert not report.safe_to_erase
    assert "bad is on the card and not copied" in report.sentence
