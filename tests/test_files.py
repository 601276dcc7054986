"""Files appear under their name whole or not at all."""

import errno
import os
import stat
from pathlib import Path

import pytest

from takewell.errors import DestinationError
from takewell.files import atomic_path, destination_error, make_folder, write_bytes, write_text


def test_the_file_appears_with_its_content_and_nothing_else_stays(tmp_path: Path) -> None:
    write_text(tmp_path / "moves.csv", "a;ü\r\nb\n")
    assert (tmp_path / "moves.csv").read_bytes() == "a;ü\r\nb\n".encode()
    assert [path.name for path in tmp_path.iterdir()] == ["moves.csv"]


def test_permissions_follow_the_umask_and_those_of_a_replaced_file_stay(tmp_path: Path) -> None:
    mask = os.umask(0o022)
    try:
        write_bytes(tmp_path / "new", b"1")
    finally:
        os.umask(mask)
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o644
    (tmp_path / "new").chmod(0o600)
    write_bytes(tmp_path / "new", b"2")
    assert stat.S_IMODE((tmp_path / "new").stat().st_mode) == 0o600


def test_before_the_end_the_old_file_stands(tmp_path: Path) -> None:
    target = tmp_path / "notes.csv"
    target.write_text("old")
    with atomic_path(target) as temporary:
        temporary.write_text("new")
        assert target.read_text() == "old"
        assert temporary.parent == tmp_path
        assert temporary.name.startswith(".")
        assert temporary.suffix == ".csv"
    assert target.read_text() == "new"


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_a_block_that_fails_leaves_the_old_file_and_no_other(
    tmp_path: Path, error: type[BaseException]
) -> None:
    target = tmp_path / "notes.csv"
    target.write_text("old")

    def fail_half_way() -> None:
        with atomic_path(target) as temporary:
            temporary.write_text("half")
            raise error

    with pytest.raises(error):
        fail_half_way()
    assert target.read_text() == "old"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_taken_name_is_refused_when_asked(tmp_path: Path) -> None:
    write_bytes(tmp_path / "a", b"1", replace=False)
    with pytest.raises(DestinationError, match=r"a cannot be written: it exists already"):
        write_bytes(tmp_path / "a", b"2", replace=False)
    assert (tmp_path / "a").read_bytes() == b"1"


def test_a_name_taken_meanwhile_is_not_replaced(tmp_path: Path) -> None:
    def lose_the_race() -> None:
        with atomic_path(tmp_path / "a", replace=False) as temporary:
            temporary.write_bytes(b"ours")
            (tmp_path / "a").write_bytes(b"theirs")

    with pytest.raises(DestinationError, match="exists already"):
        lose_the_race()
    assert (tmp_path / "a").read_bytes() == b"theirs"
    assert len(list(tmp_path.iterdir())) == 1


def test_where_there_are_no_hard_links_a_rename_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(errno.EPERM, "no links here")

    monkeypatch.setattr(os, "link", refuse)
    write_bytes(tmp_path / "a", b"1", replace=False)
    assert (tmp_path / "a").read_bytes() == b"1"


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(DestinationError, match=r"none/a\.txt cannot be written: its folder does not exist"):
        write_text(tmp_path / "none" / "a.txt", "x")


def test_a_folder_in_its_place_is_named(tmp_path: Path) -> None:
    with pytest.raises(DestinationError, match="a folder of that name is there"):
        write_text(tmp_path, "x")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "disk is full"),
        (errno.EROFS, "read-only"),
        (errno.EFBIG, "larger than this disk's file system"),
    ],
)
def test_what_stops_a_write_is_told(tmp_path: Path, number: int, words: str) -> None:
    with pytest.raises(DestinationError, match=words), atomic_path(tmp_path / "a"):
        raise OSError(number, os.strerror(number))
    assert not list(tmp_path.iterdir())


def test_an_error_that_is_not_the_destinations_passes(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), atomic_path(tmp_path / "a"):
        raise FileNotFoundError(errno.ENOENT, "another file")


def test_a_full_disk_is_told(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("this system has no /dev/full")
    with (
        pytest.raises(DestinationError, match="disk is full"),
        atomic_path(tmp_path / "a"),
        Path("/dev/full").open("wb") as full,
    ):
        full.write(b"x" * 100_000)


def test_a_link_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_text(tmp_path / "link", "new")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


def test_an_unknown_reason_is_passed_on_in_its_own_words(tmp_path: Path) -> None:
    message = str(destination_error(tmp_path / "a", OSError(errno.EBUSY, "Device or resource busy")))
    assert message.endswith("a cannot be written: device or resource busy; choose another place.")


def test_folders_are_made_with_their_parents_and_may_exist(tmp_path: Path) -> None:
    assert make_folder(tmp_path / "a" / "b").is_dir()
    assert make_folder(tmp_path / "a" / "b").is_dir()
    (tmp_path / "file").write_text("")
    with pytest.raises(DestinationError, match="a file of that name is there"):
        make_folder(tmp_path / "file")
    with pytest.raises(DestinationError, match="cannot be created"):
        make_folder(tmp_path / "file" / "below")
