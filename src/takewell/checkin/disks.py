"""On which disks does a folder lie?

Two copies are two only if one broken or lost thing cannot take both. On Linux the partition, encrypted or
joined volume or image file behind a folder is followed down to the physical disks (``/sys/dev/block``,
``/proc/self/mountinfo``: Documentation/ABI/stable/sysfs-block, proc(5)); a network share counts as its server; a file system
in memory is no disk at all. Elsewhere a device number is all there is.
"""

import os
import re
from dataclasses import dataclass
from pathlib import Path

SYSTEM = Path("/sys")
MOUNTS = Path("/proc/self/mountinfo")

_IN_MEMORY = {"tmpfs", "ramfs", "devtmpfs", "hugetlbfs"}
_ON_A_SERVER = {
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "9p",
    "afs",
    "ceph",
    "fuse.sshfs",
    "glusterfs",
    "virtiofs",
}


@dataclass(frozen=True)
class Disks:
    """The disks behind a folder."""

    names: frozenset[str]
    lasting: bool = True
    """False for memory: what lies there is gone when the machine is switched off."""
    known: bool = True
    """False where only a device number could be told, so that two of them may still be one disk."""

    def apart_from(self, other: "Disks") -> bool:
        """Return whether the two share no disk."""
        return not self.names & other.names


def disks_of(folder: str | os.PathLike[str]) -> Disks:
    """Return the disks behind a folder; for one that is not there yet, those of the nearest folder above it.

    Raises
    ------
    OSError
        If not even the root can be looked at.
    """
    path = Path(folder).absolute()
    while not path.exists() and path != path.parent:
        path = path.parent
    device = path.stat().st_dev
    major, minor = os.major(device), os.minor(device)
    if major and (found := _block_device(f"{major}:{minor}")):
        return found
    return _mounted(path.resolve(), f"{major}:{minor}") or Disks(frozenset({f"device {device}"}), known=False)


def _block_device(number: str) -> Disks | None:
    """Follow a block device down to the physical disks."""
    node = SYSTEM / "dev/block" / number
    if not node.exists():
        return None
    node = node.resolve()
    if (node / "partition").exists():
        node = node.parent
    backing = node / "loop/backing_file"
    if backing.exists():
        return disks_of(Path(backing.read_text(encoding="utf-8").strip()).parent)
    below = sorted((node / "slaves").iterdir()) if (node / "slaves").is_dir() else []
    found = [_block_device((part / "dev").read_text(encoding="ascii").strip()) for part in below]
    parts = [part for part in found if part is not None]
    if parts:
        return Disks(
            frozenset().union(*(part.names for part in parts)),
            all(part.lasting for part in parts),
            all(part.known for part in parts),
        )
    # zram and brd are disks made of memory.
    return Disks(frozenset({node.name}), lasting=not re.fullmatch(r"(zram|ram)\d+", node.name))


def _mounted(path: Path, number: str) -> Disks | None:
    """Tell from the table of mounts: for file systems whose device number is made up."""
    try:
        lines = MOUNTS.read_text(encoding="utf-8", errors="surrogateescape").splitlines()
    except OSError:
        return None
    best: tuple[bool, int, str, str] | None = None
    for line in lines:
        left, _, right = line.partition(" - ")
        columns, kinds = left.split(" "), right.split(" ")
        if len(columns) < 5 or len(kinds) < 2:
            continue
        point = Path(_plain(columns[4]))
        if path == point or point in path.parents:
            # A volume of some file systems has another number than its mount: then the nearest mount point tells.
            candidate = (columns[2] == number, len(point.parts), kinds[0], _plain(kinds[1]))
            best = max(best, candidate) if best else candidate
    return _from_mount(best[2], best[3]) if best else None


def _from_mount(kind: str, source: str) -> Disks | None:
    if kind in _IN_MEMORY:
        return Disks(frozenset({"memory"}), lasting=False)
    if kind in _ON_A_SERVER:
        server = re.sub(r"^(.*@)?", "", source.lstrip("/")).split("/", 1)[0].split(":", 1)[0]
        return Disks(frozenset({f"server {server}"}))
    if source.startswith("/"):
        try:
            device = Path(source).stat().st_rdev
        except OSError:
            device = 0
        if device and (found := _block_device(f"{os.major(device)}:{os.minor(device)}")):
            return found
    return Disks(frozenset({f"{kind} {source}"}), known=False)


def _plain(text: str) -> str:
    r"""Undo the table's octal writing of spaces and the like (``\040``)."""
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)
