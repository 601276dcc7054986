"""Which disks lie behind a folder, in a system made of files."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from takewell.checkin import disks
from takewell.checkin.disks import Disks, disks_of


class FakeSystem:
    """A /sys with block devices and a table of mounts."""

    def __init__(self, root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.root = root
        (root / "dev/block").mkdir(parents=True)
        self.mounts = root / "mountinfo"
        self.mounts.write_text("")
        monkeypatch.setattr(disks, "SYSTEM", root)
        monkeypatch.setattr(disks, "MOUNTS", self.mounts)

    def device(self, number: str, where: str, *, partition: bool = False, on: tuple[str, ...] = ()) -> None:
        node = self.root / "devices" / where
        (node / "slaves").mkdir(parents=True, exist_ok=True)
        (node / "dev").write_text(f"{number}\n")
        if partition:
            (node / "partition").write_text("1\n")
        for below in on:
            (node / "slaves" / Path(below).name).symlink_to(self.root / "devices" / below)
        (self.root / "dev/block" / number).symlink_to(node)

    def mount(self, number: str, point: Path, kind: str, source: str) -> None:
        plain = str(point).replace(" ", "\\040")
        line = f"36 35 {number} / {plain} rw,noatime shared:1 - {kind} {source} rw\n"
        self.mounts.write_text(self.mounts.read_text() + line)


@pytest.fixture
def system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> FakeSystem:
    return FakeSystem(tmp_path / "sys", monkeypatch)


@pytest.fixture
def lies_on(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path, int, int], None]:
    """Return a function that lets a folder lie on a device number."""
    numbers: dict[Path, int] = {}
    whole = Path.stat

    def stat(self: Path, *, follow_symlinks: bool = True) -> os.stat_result:
        found = whole(self, follow_symlinks=follow_symlinks)
        if self in numbers:
            return os.stat_result([*found[:2], numbers[self], *found[3:]], {"st_dev": numbers[self]})
        return found

    monkeypatch.setattr(Path, "stat", stat)

    def put(path: Path, major: int, minor: int) -> None:
        path.mkdir(parents=True, exist_ok=True)
        numbers[path] = os.makedev(major, minor)

    return put


Put = Callable[[Path, int, int], None]


def test_two_partitions_are_one_disk(tmp_path: Path, system: FakeSystem, lies_on: Put) -> None:
    system.device("8:0", "sda")
    system.device("8:1", "sda/sda1", partition=True)
    system.device("8:2", "sda/sda2", partition=True)
    system.device("8:17", "sdb/sdb1", partition=True)
    for name, minor in (("a", 1), ("b", 2), ("c", 17)):
        lies_on(tmp_path / name, 8, minor)
    a, b, c = (disks_of(tmp_path / name) for name in "abc")
    assert a == b == Disks(frozenset({"sda"}))
    assert not a.apart_from(b)
    assert a.apart_from(c)


def test_an_encrypted_or_joined_volume_is_followed_down(
    tmp_path: Path, system: FakeSystem, lies_on: Put
) -> None:
    system.device("8:1", "sda/sda1", partition=True)
    system.device("8:17", "sdb/sdb1", partition=True)
    system.device("253:0", "virtual/dm-0", on=("sda/sda1",))
    system.device("9:0", "virtual/md0", on=("sda/sda1", "sdb/sdb1"))
    system.device("253:1", "virtual/dm-1", on=("virtual/md0",))
    lies_on(tmp_path / "crypt", 253, 0)
    lies_on(tmp_path / "raid", 253, 1)
    assert disks_of(tmp_path / "crypt").names == {"sda"}
    assert disks_of(tmp_path / "raid").names == {"sda", "sdb"}
    assert not disks_of(tmp_path / "crypt").apart_from(disks_of(tmp_path / "raid"))


def test_an_image_file_lies_on_the_disk_of_the_file(tmp_path: Path, system: FakeSystem, lies_on: Put) -> None:
    system.device("8:1", "sda/sda1", partition=True)
    system.device("7:0", "virtual/loop0")
    loop = system.root / "devices/virtual/loop0/loop"
    loop.mkdir()
    lies_on(tmp_path / "images", 8, 1)
    (loop / "backing_file").write_text(f"{tmp_path}/images/card.img\n")
    lies_on(tmp_path / "mounted", 7, 0)
    assert disks_of(tmp_path / "mounted").names == {"sda"}


def test_memory_is_no_disk(tmp_path: Path, system: FakeSystem, lies_on: Put) -> None:
    lies_on(tmp_path / "ram disk", 0, 40)
    system.mount("0:40", tmp_path / "ram disk", "tmpfs", "tmpfs")
    system.mount("8:1", Path("/"), "ext4", "/dev/sda1")
    assert not disks_of(tmp_path / "ram disk").lasting
    system.device("253:9", "virtual/zram0")
    lies_on(tmp_path / "compressed", 253, 9)
    assert not disks_of(tmp_path / "compressed").lasting


def test_shares_of_one_server_are_one(tmp_path: Path, system: FakeSystem, lies_on: Put) -> None:
    for number, (kind, source) in enumerate(
        [("nfs4", "vault:/a"), ("cifs", "//vault/b"), ("fuse.sshfs", "me@vault:/c"), ("nfs", "other:/a")]
    ):
        lies_on(tmp_path / str(number), 0, 50 + number)
        system.mount(f"0:{50 + number}", tmp_path / str(number), kind, source)
    found = [disks_of(tmp_path / str(number)) for number in range(4)]
    assert [f.names for f in found] == [{"server vault"}] * 3 + [{"server other"}]


def test_a_subvolume_is_found_by_its_mount_point(tmp_path: Path, system: FakeSystem, lies_on: Put) -> None:
    # btrfs gives every subvolume a number of its own, which is in no table: the nearest mount point tells.
    lies_on(tmp_path / "disk/roll", 0, 77)
    system.mount("8:1", Path("/"), "ext4", "/dev/none")
    system.mount("0:60", tmp_path / "disk", "btrfs", "/dev/null")
    found = disks_of(tmp_path / "disk/roll")
    assert found == Disks(frozenset({"btrfs /dev/null"}), known=False)


def test_what_cannot_be_told_is_said_to_be_unknown(tmp_path: Path, system: FakeSystem, lies_on: Put) -> None:
    lies_on(tmp_path / "a", 0, 99)
    system.mounts.unlink()
    assert not disks_of(tmp_path / "a").known


def test_a_folder_to_be_made_lies_where_its_parent_does(tmp_path: Path) -> None:
    assert disks_of(tmp_path / "not/there/yet") == disks_of(tmp_path)


@pytest.mark.skipif(not Path("/dev/shm").is_dir(), reason="needs a Linux with /dev/shm")
def test_this_very_machine_tells_memory_from_disk() -> None:
    assert not disks_of("/dev/shm").lasting
    assert disks_of("/dev/shm").apart_from(disks_of("/usr"))
