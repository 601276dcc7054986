"""Reading past the system's memory, where the file system helps and where it does not."""

import errno
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from takewell.manifest import read_back

needs_direct = pytest.mark.skipif(not hasattr(os, "O_DIRECT"), reason="needs a system that knows O_DIRECT")


def whole(path: Path) -> bytes:
    return b"".join(bytes(block) for block in read_back.read_blocks(path))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    found = tmp_path / "file"
    found.write_bytes(os.urandom(2 * read_back.BLOCK_BYTES + 12_345))
    return found


@needs_direct
def test_a_file_system_that_refuses_at_opening(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[int] = []
    plain = os.open

    def refuse(name: Path, flags: int) -> int:
        opened.append(flags)
        if flags & os.O_DIRECT:
            raise OSError(errno.EINVAL, "Invalid argument")
        return plain(name, flags)

    monkeypatch.setattr(os, "open", refuse)
    assert whole(path) == path.read_bytes()
    assert len(opened) >= 2


@needs_direct
@pytest.mark.parametrize("at", [0, 1, 2])
def test_a_file_system_that_refuses_while_reading(
    path: Path, monkeypatch: pytest.MonkeyPatch, at: int
) -> None:
    calls = 0
    plain = os.readv

    def refuse(handle: int, buffers: list[memoryview]) -> int:
        nonlocal calls
        calls += 1
        if calls == at + 1:
            raise OSError(errno.EINVAL, "Invalid argument")
        return plain(handle, buffers)

    monkeypatch.setattr(os, "readv", refuse)
    assert whole(path) == path.read_bytes()


def test_a_system_that_knows_no_direct_reading(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(os, "O_DIRECT", raising=False)
    assert whole(path) == path.read_bytes()


def test_a_disk_that_fails_is_no_end_of_file(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_handle: int, _buffers: list[memoryview]) -> int:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(os, "readv", fail)
    with pytest.raises(OSError, match="Input/output error"):
        whole(path)


def test_stopping_in_the_middle_closes_the_file(path: Path) -> None:
    before = len(list(Path("/proc/self/fd").iterdir())) if Path("/proc/self/fd").is_dir() else 0
    for block in read_back.read_blocks(path):
        assert len(block) == read_back.BLOCK_BYTES
        break
    after = len(list(Path("/proc/self/fd").iterdir())) if Path("/proc/self/fd").is_dir() else 0
    assert after == before


@pytest.fixture
def disk_image(tmp_path: Path) -> Iterator[tuple[Path, Path]]:
    """A small disk in a file, mounted: (image, where it is mounted)."""
    image, point = tmp_path / "disk.img", tmp_path / "disk"
    point.mkdir()
    make = shutil.which("mkfs.ext4") or shutil.which("mkfs.ext4", path="/usr/sbin:/sbin")
    if make is None:
        pytest.skip("needs mkfs.ext4 to make a small disk")
    image.write_bytes(bytes(16 * 2**20))
    subprocess.run([make, "-q", "-F", image], check=True, capture_output=True)
    mounted = subprocess.run(
        ["mount", "-o", "loop", image, point], capture_output=True, text=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"a disk image cannot be mounted here: {mounted.stderr.strip()}")
    yield image, point
    subprocess.run(["umount", point], check=True)


@needs_direct
@pytest.mark.parametrize("direct", [True, False])
def test_what_the_medium_holds_is_read_and_not_what_was_written(
    disk_image: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch, direct: bool
) -> None:
    if not direct:
        monkeypatch.delattr(os, "O_DIRECT")
    image, point = disk_image
    written = os.urandom(2_000_000)
    path = point / "take.wav"
    path.write_bytes(written)
    subprocess.run(["sync", "-f", path], check=True)
    # The medium loses a bit behind the file system's back.
    medium = bytearray(image.read_bytes())
    place = medium.index(written[1_048_576:1_048_608])
    with image.open("r+b") as handle:
        handle.seek(place)
        handle.write(bytes([written[1_048_576] ^ 1]))
        handle.flush()
        os.fsync(handle.fileno())
    assert path.read_bytes() == written  # memory still knows it as it was written
    found = whole(path)
    assert found != written
    assert [n for n in range(len(written)) if found[n] != written[n]] == [1_048_576]
