"""How are a file's bytes read from its medium and not from the system's memory of having written them?

On Linux the file is opened with O_DIRECT into a page-aligned buffer; a file system that refuses that is asked
to forget its cached pages (posix_fadvise, POSIX_FADV_DONTNEED; POSIX.1-2017) and read plainly. On
macOS the cache is switched off for the file (F_NOCACHE). A drive's own memory cannot be passed by either.
Caching is a matter of trust, not of result: the bytes are the same, so a platform with none of
these is read plainly.
"""

import contextlib
import errno
import mmap
import os
from collections.abc import Iterator

BLOCK_BYTES = 4 * 2**20


def read_blocks(path: str | os.PathLike[str]) -> Iterator[memoryview]:
    """Yield a file's bytes in blocks of up to 4 MiB.

    Each block is a view of one buffer that the next block overwrites: use it up before asking for more.

    Raises
    ------
    OSError
        If the file cannot be opened or read.
    """
    with mmap.mmap(-1, BLOCK_BYTES) as buffer, memoryview(buffer) as view:
        handle, direct = _open(path)
        try:
            position = 0
            while True:
                try:
                    count = os.readv(handle, [view])
                except OSError as error:
                    if not direct or error.errno != errno.EINVAL:
                        raise
                    # The file system took the flag at opening but not at reading: go on without it.
                    direct = False
                    os.close(handle)
                    handle = _open_plain(path)
                    os.lseek(handle, position, os.SEEK_SET)
                    continue
                if not count:
                    return
                position += count
                with view[:count] as block:
                    yield block
        finally:
            os.close(handle)


def forget(handle: int) -> None:
    """Ask the system to drop what it keeps in memory of an open, flushed file."""
    if hasattr(os, "posix_fadvise"):
        with contextlib.suppress(OSError):  # advice only; a pipe or an odd file system may refuse it
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)


def _open(path: str | os.PathLike[str]) -> tuple[int, bool]:
    if hasattr(os, "O_DIRECT"):
        with contextlib.suppress(OSError):
            return os.open(path, os.O_RDONLY | os.O_DIRECT), True
    return _open_plain(path), False


def _open_plain(path: str | os.PathLike[str]) -> int:
    handle = os.open(path, os.O_RDONLY)
    forget(handle)
    try:
        import fcntl

        if hasattr(fcntl, "F_NOCACHE"):
            with contextlib.suppress(OSError):
                fcntl.fcntl(handle, fcntl.F_NOCACHE, 1)
    except ImportError:
        pass
    return handle
