"""What does a destination hold before the check-in begins?

Opening a destination creates the roll's folder with ``takewell/`` in it, keeps a second check-in out for as
long as this one runs, and clears away what a check-in that was killed left half-written.
"""

import contextlib
import errno
import os
import re
import shutil
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from takewell.checkin.card import Facts, is_history
from takewell.checkin.disks import Disks, disks_of
from takewell.checkin.journal import Finished, read_journal
from takewell.checkin.wording import shown
from takewell.errors import DestinationError, FileError
from takewell.files import make_folder
from takewell.manifest.reading import read_history
from takewell.manifest.values import History

_HALF_WRITTEN = re.compile(r"\.takewell-[0-9a-f]{12}\.part.*")


@dataclass(frozen=True)
class Place:
    """A destination as it was found."""

    root: Path
    disks: Disks
    files: Mapping[str, Facts]
    folders: frozenset[str]
    history: History
    finished: Mapping[str, Finished] = field(default_factory=dict)
    """What a check-in that was stopped had finished."""
    folds_case: bool = False
    """Whether the disk takes names that differ in case alone for one."""

    def key(self, path: str) -> str:
        """Return what the disk takes for the same name."""
        return unicodedata.normalize("NFC", path).casefold() if self.folds_case else path


def look_at(root: Path) -> Place:
    """Return what a destination holds, changing nothing; it need not be there yet.

    Raises
    ------
    DestinationError
        If it is no folder, or the disk it should lie on is not there.
    FileError
        If its manifest history is damaged.
    """
    if not root.exists():
        if not root.parent.is_dir():
            raise DestinationError(
                f"{shown(root)} cannot be created: {shown(root.parent)} is not there; connect the disk or create that folder first."
            )
        return Place(root, disks_of(root), {}, frozenset(), History(root))
    if not root.is_dir():
        raise DestinationError(f"{shown(root)} is a file; name a folder to copy to.")
    files, folders = _contents(root)
    finished = read_journal(root)
    history = _history(root, finished)
    return Place(root, disks_of(root), files, folders, history, finished, _folds_case(root))


def free_bytes(root: Path) -> int:
    """Return how much may still be written to the file system a folder is on."""
    return shutil.disk_usage(root).free


@contextlib.contextmanager
def opened(root: Path) -> Iterator[Place]:
    """Make a destination ready to be written to, and yield what it holds.

    Raises
    ------
    DestinationError
        As `look_at`; also if it cannot be written, or another check-in is writing to it.
    FileError
        As `look_at`.
    """
    look_at(root)
    own = make_folder(root / "takewell")
    with _sole_writer(own, root):
        try:
            for folder, _, names in os.walk(root):
                for name in names:
                    if _HALF_WRITTEN.fullmatch(name):
                        Path(folder, name).unlink()
        except OSError as error:
            raise DestinationError(
                f"{shown(root)} cannot be written ({error.strerror or error}); choose another place."
            ) from error
        yield look_at(root)


@contextlib.contextmanager
def _sole_writer(own: Path, root: Path) -> Iterator[None]:
    import fcntl

    handle = os.open(own, os.O_RDONLY)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            if error.errno in (errno.EAGAIN, errno.EACCES):
                raise DestinationError(
                    f"Another check-in is writing to {shown(root)}; wait until it is done."
                ) from error
            # Some network disks know no locks: then two check-ins at once are the person's to avoid.
        yield
    finally:
        os.close(handle)


def _contents(root: Path) -> tuple[dict[str, Facts], frozenset[str]]:
    files: dict[str, Facts] = {}
    folders: set[str] = set()
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        try:
            entries = sorted(os.scandir(root / folder), key=lambda entry: entry.name)
        except OSError as error:
            raise DestinationError(
                f"{shown(root / folder)} cannot be looked through ({error.strerror or error}); check its permissions."
            ) from error
        for entry in entries:
            path = f"{folder}/{entry.name}" if folder else entry.name
            if entry.is_dir():
                folders.add(path)
                if not entry.is_symlink():
                    waiting.append(path)
            elif entry.is_file():
                stat = entry.stat()
                files[path] = Facts(stat.st_size, stat.st_mtime_ns)
            else:
                files[path] = Facts(-1, 0)  # a dangling link or a device: the name is taken
    return files, frozenset(folders)


def _history(root: Path, finished: Mapping[str, Finished]) -> History:
    try:
        return read_history(root)
    except FileError:
        if any(is_history(path) for path in finished):
            # The check-in that was stopped was in the middle of bringing the card's own history.
            return History(root)
        raise


def _folds_case(root: Path) -> bool:
    own = root / "takewell"
    other = root / "TAKEWELL"
    try:
        return own.is_dir() and other.is_dir() and own.samefile(other)
    except OSError:
        return False
