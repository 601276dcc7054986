"""How does a file come to lie whole and verified at a destination?

Written under a temporary name, flushed, given its times, renamed where the name is free, then read back from
the medium and compared. What does not compare equal is taken away again.
"""

import contextlib
import os
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path

from takewell.checkin.card import Facts
from takewell.checkin.wording import shown
from takewell.errors import DestinationError, TakewellError
from takewell.files import atomic_path, destination_error, make_folder
from takewell.manifest.hashing import hash_file, same_digests
from takewell.manifest.writing import formats_for

ENDS = 64 * 1024
"""How much of the start and of the end of a file is compared before a finished copy is trusted enough to be read back."""


class VerificationError(TakewellError):
    """What was read back is not what was written."""


class _Abandoned(Exception):
    """The copy is given up; its temporary file goes."""


class CopyWriter:
    """Takes the blocks of one file to one destination.

    Raises
    ------
    DestinationError
        If the file cannot be begun.
    """

    def __init__(self, target: Path) -> None:
        self.target = target
        make_folder(target.parent)
        self._stack = ExitStack()
        self._temporary = self._stack.enter_context(atomic_path(target, replace=False))
        self._handle: int | None = None
        try:
            self._handle = os.open(self._temporary, os.O_WRONLY)
        except OSError as error:
            self.abandon()
            raise destination_error(target, error) from error

    def take(self, block: bytes) -> None:
        """Write the next block."""
        assert self._handle is not None
        rest = memoryview(block)
        while rest:
            try:
                rest = rest[os.write(self._handle, rest) :]
            except OSError as error:
                raise destination_error(self.target, error) from error

    def finish(self, modified_ns: int) -> None:
        """Flush the file, give it its time and its name.

        Raises
        ------
        DestinationError
            If the disk refuses, or the name was taken meanwhile.
        """
        try:
            self._close()
        except OSError as error:
            self.abandon()
            raise destination_error(self.target, error) from error
        with contextlib.suppress(OSError):  # a disk that keeps no times still keeps the bytes
            os.utime(self._temporary, ns=(modified_ns, modified_ns))
        self._stack.close()

    def abandon(self) -> None:
        """Take the half-written file away; does nothing where it has its name already."""
        with contextlib.suppress(OSError):
            self._close()
        try:
            raise _Abandoned
        except _Abandoned as given_up:
            self._stack.__exit__(_Abandoned, given_up, given_up.__traceback__)

    def _close(self) -> None:
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)


def read_back(target: Path, hashes: Mapping[str, str], count: Callable[[int], None]) -> bool:
    """Return whether a file, read from its medium, has the hashes it should have.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    formats = formats_for((), hashes)
    return same_digests(hash_file(target, formats, progress=count), hashes) is True


def verify_copy(target: Path, hashes: Mapping[str, str], count: Callable[[int], None]) -> None:
    """Read a fresh copy back, and take it away if it is not what was written.

    Raises
    ------
    VerificationError
        If it is not.
    DestinationError
        If it cannot be read.
    """
    try:
        if read_back(target, hashes, count):
            return
    except OSError as error:
        raise DestinationError(
            f"{shown(target)} was written but cannot be read back ({error.strerror or error}); do not trust this disk."
        ) from error
    with contextlib.suppress(OSError):
        target.unlink()
    raise VerificationError(
        f"{shown(target)} read back differs from what was written and was removed; check cable and disk before you trust them."
    )


def same_ends(one: Path, other: Path, facts: Facts) -> bool:
    """Return whether two files have the size of `facts` and the same first and last 64 KiB."""
    try:
        with one.open("rb") as left, other.open("rb") as right:
            for offset in (0, max(0, facts.size_bytes - ENDS)):
                left.seek(offset)
                right.seek(offset)
                if left.read(ENDS) != right.read(ENDS):
                    return False
            return all(os.fstat(f.fileno()).st_size == facts.size_bytes for f in (left, right))
    except OSError:
        return False
