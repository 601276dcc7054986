"""Where do a container's bytes come from, so that a read is whole or an error?

Conventions: positioned reads only (POSIX pread), never a mapping: a card that is pulled out makes a read
fail, whereas a mapping would end the process. Offsets and counts are bytes.
"""

import errno
import os
import stat
from pathlib import Path
from typing import Protocol

from takewell.errors import FileError

_GONE = {errno.EIO, errno.ENODEV, errno.ENXIO, errno.ESTALE}


class ByteSource(Protocol):
    """Anything with a size that can be read at a position."""

    @property
    def size(self) -> int:
        """Length in bytes."""

    def read(self, offset: int, count: int) -> bytes:
        """Return the bytes from `offset`, `count` of them or as many as lie before the end."""


class FileSource:
    """A regular file, opened read-only; the size is what it was when opened.

    Raises
    ------
    FileError
        If the file is missing, no regular file, not readable, or a read comes back short.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self._handle = -1
        try:
            if not stat.S_ISREG(self.path.stat().st_mode):
                kind = "a folder" if self.path.is_dir() else "not a regular file"
                raise FileError(f"{self.path} is {kind}; a sound file is needed.")
            self._handle = os.open(self.path, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
            self.size = os.fstat(self._handle).st_size
        except OSError as error:
            raise FileError(_reason(self.path, error)) from error
        if self.size == 0:
            self.close()
            raise FileError(f"{self.path} is empty (0 bytes): nothing was recorded in it.")

    def read(self, offset: int, count: int) -> bytes:
        """Return the bytes from `offset`, `count` of them or as many as lie before the end."""
        wanted = max(0, min(count, self.size - offset))
        data = bytearray(wanted)
        self.read_into(memoryview(data), offset)
        return bytes(data)

    def read_into(self, target: memoryview, offset: int) -> None:
        """Fill `target`, a writable view of bytes, from `offset` on."""
        done = 0
        while done < len(target):
            try:
                got = os.preadv(self._handle, [target[done:]], offset + done)
            except OSError as error:
                raise FileError(_reason(self.path, error, offset + done)) from error
            if got == 0:
                raise FileError(
                    f"{self.path} ends at byte {offset + done} while being read, though it was {self.size} "
                    "bytes long when opened; was it cut or its card taken out?"
                )
            done += got

    def close(self) -> None:
        """Close the file; reading afterwards is an error."""
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def __del__(self) -> None:
        self.close()


def _reason(path: Path, error: OSError, offset: int | None = None) -> str:
    if error.errno == errno.ENOENT:
        return f"{path} is not there; check the name and whether the card or disk is connected."
    if error.errno in (errno.EACCES, errno.EPERM):
        return f"{path} may not be read; change its permissions."
    if error.errno == errno.EBADF:
        return f"{path} has been closed already."
    if error.errno in _GONE and offset is not None:
        return f"{path} cannot be read at byte {offset} ({error.strerror}); was its card or disk taken out?"
    where = "" if offset is None else f" at byte {offset}"
    return f"{path} cannot be read{where}: {(error.strerror or str(error)).lower()}."
