"""How does a file come to lie under its name only when it is whole?

Conventions: a new file is written under a temporary name in the same folder (``.takewell-<random>.part``
plus the real suffix, so it is hidden and its kind is still seen), flushed to the medium, then renamed;
the folder is flushed after it. What stops in between, Ctrl-C included, leaves the old file as it was.
Rename over an existing name is atomic by POSIX.1-2017, rename().
"""

import contextlib
import errno
import fcntl
import os
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from takewell.errors import DestinationError

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT}
_REASONS = {
    **dict.fromkeys(_NO_ROOM, "the disk is full; free some space or choose another place"),
    errno.EROFS: "the disk is read-only; choose another place",
    errno.EACCES: "this folder may not be written to; change its permissions or choose another place",
    errno.EPERM: "writing here is not permitted; change the permissions or choose another place",
    errno.EFBIG: "the file grows larger than this disk's file system allows; choose another disk",
    errno.ENAMETOOLONG: "the name is too long for this disk; choose a shorter one",
    errno.ENOENT: "its folder does not exist; create it or choose another place",
    errno.ENOTDIR: "a part of the path is a file, not a folder; choose another place",
    errno.EISDIR: "a folder of that name is there; choose another name",
    errno.EEXIST: "it exists already; choose another name or remove it first",
    errno.EIO: "the disk reports an input/output error; check it and choose another place",
    errno.ENODEV: "the disk is gone; connect it again or choose another place",
    errno.ENXIO: "the disk is gone; connect it again or choose another place",
}
_WRITING_ONLY = _NO_ROOM | {errno.EROFS, errno.EFBIG}
"""Errors that only a write can meet, whoever made it inside the ``with`` block."""


def destination_error(path: Path, error: OSError) -> DestinationError:
    """Return the sentence for an `error` met while writing `path`."""
    reason = _REASONS.get(error.errno or 0, f"{error.strerror or error}; choose another place".lower())
    return DestinationError(f"{path} cannot be written: {reason}.")


def flush_to_disk(path: Path) -> None:
    """Push a file or folder through to its medium (F_FULLFSYNC where the platform has it).

    Raises
    ------
    OSError
        If the medium refuses. A folder that cannot be flushed (some network disks) is let pass.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        _flush(handle)
    except OSError as error:
        if not (path.is_dir() and error.errno in (errno.EINVAL, errno.EBADF, errno.EACCES, errno.ENOTSUP)):
            raise
    finally:
        os.close(handle)


def _flush(handle: int) -> None:
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is not None:
        with contextlib.suppress(OSError):  # not every file system knows it; fsync is the next best
            fcntl.fcntl(handle, full)
            return
    os.fsync(handle)


@contextlib.contextmanager
def atomic_path(path: str | os.PathLike[str], *, replace: bool = True) -> Iterator[Path]:
    """Yield a temporary path beside `path` that takes its name when the block ends well.

    Parameters
    ----------
    path : path
        Where the whole file shall lie. A symbolic link is followed.
    replace : bool
        Whether an existing file may be replaced.

    Yields
    ------
    Path
        An empty file, already created; write into it, close it, and leave the block.

    Raises
    ------
    DestinationError
        If the place is full, missing, read-only or (with ``replace=False``) already taken. Whatever the
        block raises removes the temporary file and leaves `path` untouched.
    """
    shown, target = Path(path), Path(os.path.realpath(path))
    temporary = target.parent / f".takewell-{secrets.token_hex(6)}.part{target.suffix[:16]}"
    try:
        if target.is_dir():
            raise IsADirectoryError(errno.EISDIR, "is a folder")
        if not replace and target.exists():
            raise FileExistsError(errno.EEXIST, "exists")
        os.close(os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666))
    except OSError as error:
        raise destination_error(shown, error) from error
    try:
        try:
            yield temporary
        except DestinationError:
            raise
        except OSError as error:
            if error.errno in _WRITING_ONLY:
                raise destination_error(shown, error) from error
            raise
        try:
            if target.exists():
                temporary.chmod(target.stat().st_mode & 0o7777)
            flush_to_disk(temporary)
            _take_name(temporary, target, replace=replace)
            flush_to_disk(target.parent)
        except OSError as error:
            raise destination_error(shown, error) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def _take_name(temporary: Path, target: Path, *, replace: bool) -> None:
    if replace:
        temporary.replace(target)
        return
    try:
        target.hardlink_to(temporary)  # fails where the name is taken, in one step
    except FileExistsError:
        raise
    except OSError:  # cards and sticks (FAT, exFAT) have no hard links
        if target.exists():
            raise FileExistsError(errno.EEXIST, "exists") from None
        temporary.replace(target)


def write_bytes(path: str | os.PathLike[str], data: bytes, *, replace: bool = True) -> None:
    """Write `data` under `path`, whole or not at all.

    Raises
    ------
    DestinationError
        As `atomic_path`.
    """
    with atomic_path(path, replace=replace) as temporary:
        try:
            temporary.write_bytes(data)
        except OSError as error:
            raise destination_error(Path(path), error) from error


def write_text(path: str | os.PathLike[str], text: str, *, replace: bool = True) -> None:
    """Write `text` under `path` as UTF-8 with its line ends as they are, whole or not at all.

    Raises
    ------
    DestinationError
        As `atomic_path`.
    """
    write_bytes(path, text.encode("utf-8"), replace=replace)


def make_folder(path: str | os.PathLike[str]) -> Path:
    """Create a folder with its parents where it is missing, and return it.

    Raises
    ------
    DestinationError
        If it cannot be created, or something that is no folder has its name.
    """
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except FileExistsError as error:
        raise DestinationError(
            f"{folder} cannot be a folder: a file of that name is there; choose another name."
        ) from error
    except OSError as error:
        raise DestinationError(
            destination_error(folder, error).args[0].replace("written", "created")
        ) from error
    return folder


@contextlib.contextmanager
def work_folder(beside: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield a hidden folder on the disk of `beside`, made where it is missing, that is gone afterwards.

    Raises
    ------
    DestinationError
        If it cannot be created.
    """
    folder = make_folder(Path(make_folder(beside), f".takewell-{secrets.token_hex(4)}.part"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
