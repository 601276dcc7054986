"""How does one read of a file serve many takers at once?

The calling thread reads ahead in large blocks; every taker has a thread and a short queue of its own. Blocks are
shared, not copied, and die when the last taker is done, so memory is bounded by the queues. The
slowest taker sets the pace. A taker that fails stops taking; the others go on.
"""

import contextlib
import os
import queue
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol, TypeVar

T = TypeVar("T")

BLOCK_BYTES = 4 * 2**20
AHEAD_BLOCKS = 8
"""How far a taker may fall behind the reading, in blocks: 32 MiB."""


class ReadError(Exception):
    """The file that is read gives no more; `cause` says why."""

    def __init__(self, cause: OSError) -> None:
        super().__init__(str(cause))
        self.cause = cause


class Taker(Protocol):
    """Something that takes a file's blocks in order."""

    def take(self, block: bytes) -> None:
        """Use the next block; what it raises ends the taking."""


class Lane:
    """A taker on a thread of its own."""

    def __init__(self, taker: Taker) -> None:
        self.error: Exception | None = None
        self._taker = taker
        self._waiting: queue.Queue[bytes | None] = queue.Queue(AHEAD_BLOCKS)
        self._thread = threading.Thread(target=self._run, name=type(taker).__name__, daemon=True)
        self._thread.start()

    def put(self, block: bytes) -> None:
        """Hand a block on; waits while the queue is full."""
        self._waiting.put(block)

    def end(self) -> None:
        """Let the taker finish what it has, and wait for it."""
        self._waiting.put(None)
        self._thread.join()

    def _run(self) -> None:
        while (block := self._waiting.get()) is not None:
            if self.error is None:
                try:
                    self._taker.take(block)
                except Exception as error:  # handed to whoever looks at the lane
                    self.error = error


def relay(path: Path, lanes: Sequence[Lane], count: Callable[[int], None]) -> tuple[int, os.stat_result]:
    """Read a file once, to every lane.

    Parameters
    ----------
    path : Path
        The file.
    lanes : sequence of Lane
        Ended here, whatever happens.
    count : callable
        Called with the size of each block; may raise to stop.

    Returns
    -------
    int, os.stat_result
        How many bytes were read, and what the system says of the file after the last of them.

    Raises
    ------
    ReadError
        If the file cannot be read.
    """
    try:
        handle = _reading(lambda: _open(path))
        try:
            total = 0
            while block := _reading(lambda: read_block(handle, BLOCK_BYTES)):
                for lane in lanes:
                    lane.put(block)
                total += len(block)
                count(len(block))
            return total, _reading(lambda: os.fstat(handle))
        finally:
            os.close(handle)
    finally:
        for lane in lanes:
            lane.end()


def _reading(work: Callable[[], T]) -> T:
    """Tell what the source refuses from what anybody else does."""
    try:
        return work()
    except OSError as error:
        raise ReadError(error) from error


def read_block(handle: int, size_bytes: int) -> bytes:
    """Read the next bytes of an open file, as many as there are up to `size_bytes`."""
    return os.read(handle, size_bytes)


def _open(path: Path) -> int:
    """Open a file without marking it as read, where the system lets us."""
    if hasattr(os, "O_NOATIME"):
        with contextlib.suppress(PermissionError):
            return os.open(path, os.O_RDONLY | os.O_NOATIME)
    return os.open(path, os.O_RDONLY)
