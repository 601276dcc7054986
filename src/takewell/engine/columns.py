"""Where do the histories of all tracks stay while they grow, and after?

Rows come in batches with one value per channel; a channel's whole column is wanted at the end. Up to a few tens of
megabytes stay in memory; beyond that they move to a temporary file that has no name, so nothing remains of it
when the program ends, however it ends. Columns then come back as read-only views of that file.
"""

import os
import tempfile
import weakref
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from numpy.typing import NDArray

from takewell.errors import DestinationError

Array = NDArray[Any]

MEMORY_BYTES = 48 << 20
"""What all columns of one meter may hold in memory."""

CHUNK_ROWS = 1 << 20


class Spool:
    """A nameless temporary file that only grows; made when first written to."""

    def __init__(self) -> None:
        self._file: Any = None
        self._size = 0

    def write(self, array: Array) -> int:
        """Append the array's bytes; return where they begin.

        Raises
        ------
        DestinationError
            If the folder for temporary files is full or cannot be written.
        """
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile()  # noqa: SIM115 (closed with the spool; views hold their own)
                weakref.finalize(self, self._file.close)
            at = self._size
            data = memoryview(np.ascontiguousarray(array).data).cast("B")
            while data:
                written = os.pwrite(self._file.fileno(), data, self._size)
                self._size += written
                data = data[written:]
        except OSError as error:
            raise DestinationError(
                f"The histories of this long recording do not fit into {tempfile.gettempdir()} ({error.strerror}); "
                "free space there or set TMPDIR to a folder with room."
            ) from error
        return at

    def read(self, at: int, count: int, dtype: np.dtype[Any]) -> Array:
        """Return `count` values that begin at byte `at`."""
        return np.frombuffer(os.pread(self._file.fileno(), count * dtype.itemsize, at), dtype)

    def view(self, at: int, count: int, dtype: np.dtype[Any]) -> Array:
        """Return a read-only view of `count` values that begin at byte `at`."""
        return np.memmap(self._file, dtype, "r", at, (count,)) if count else np.zeros(0, dtype)


class Columns:
    """Named columns of equal length, one of each name per channel.

    Parameters
    ----------
    dtypes : dict of str to dtype
        Names and kinds of the columns.
    channels : int
        Columns of each name.
    spool : Spool
        Where they go when they outgrow `share`.
    share : int
        Bytes that may stay in memory.
    """

    def __init__(
        self, dtypes: dict[str, Any], channels: int, spool: Spool, share: int = MEMORY_BYTES
    ) -> None:
        self._dtypes = {name: np.dtype(kind) for name, kind in dtypes.items()}
        self._channels = channels
        self._spool, self._share = spool, share
        self._batches: dict[str, list[Array]] = {name: [] for name in dtypes}
        self._bytes = 0
        self._extents: list[tuple[int, dict[str, int]]] = []
        self.length = 0

    @property
    def spilled(self) -> bool:
        """Whether part of the columns lies in the temporary file."""
        return bool(self._extents)

    def append(self, batch: dict[str, Array]) -> None:
        """Take (rows, channels) arrays, one for each name."""
        for name, kind in self._dtypes.items():
            rows = np.ascontiguousarray(batch[name].T.astype(kind))
            self._batches[name].append(rows)
            self._bytes += rows.nbytes
        self.length += rows.shape[1]
        if self._bytes > self._share:
            self._spill()

    def freeze(self) -> None:
        """Take no more; make every column ready to be read in pieces."""
        if self._extents:
            self._spill()
        for name, parts in self._batches.items():
            if len(parts) > 1:
                self._batches[name] = [np.concatenate(parts, axis=1)]

    def read(self, name: str, channel: int, first: int, count: int) -> Array:
        """Return `count` values of a frozen column from row `first` on; not to be changed."""
        kind, parts = self._dtypes[name], []
        for rows, at in self._extents:
            inside = range(max(first, 0), min(first + count, rows))
            if inside:
                byte = at[name] + (channel * rows + inside.start) * kind.itemsize
                parts.append(self._spool.read(byte, len(inside), kind))
            first, count = first - rows if first > rows else 0, count - len(inside)
        for batch in self._batches[name]:
            parts.append(batch[channel, first : first + count])
        return parts[0] if len(parts) == 1 else np.concatenate(parts) if parts else np.zeros(0, kind)

    def column(self, name: str, channel: int) -> Array:
        """Return a whole frozen column: an array, or a view of the temporary file where that is in use."""
        if not self.spilled:
            return self.read(name, channel, 0, self.length)

        def pieces() -> Iterator[Array]:
            for first in range(0, self.length, CHUNK_ROWS):
                yield self.read(name, channel, first, min(CHUNK_ROWS, self.length - first))

        return settle(pieces, self._dtypes[name], self._spool)

    def _spill(self) -> None:
        if not next(iter(self._batches.values())):
            return
        at = {name: self._spool.write(np.concatenate(parts, axis=1)) for name, parts in self._batches.items()}
        rows = self.length - sum(rows for rows, _ in self._extents)
        self._extents.append((rows, at))
        for parts in self._batches.values():
            parts.clear()
        self._bytes = 0


def settle(chunks: Callable[[], Iterator[Array]], dtype: np.dtype[Any], spool: Spool | None) -> Array:
    """Return the pieces as one array, in memory or, with a spool, as a view of it."""
    if spool is None:
        parts = list(chunks())
        return np.concatenate(parts) if parts else np.zeros(0, dtype)
    start = count = 0
    for k, part in enumerate(chunks()):
        at = spool.write(part)
        start = at if k == 0 else start
        count += len(part)
    return spool.view(start, count, dtype)
