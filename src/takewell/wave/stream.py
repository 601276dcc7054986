"""How is a WAVE file measured in the same read that copies it?

Conventions: bytes come in order and in pieces of any size; blocks leave as soon as ``fmt `` and ``data`` are
known. The result equals `open_audio`'s on the same file or `streamable` turns False: what cannot be known
before the end (a layout with ``fmt `` after the audio, a header that was never finished, another format) is
not guessed at. Memory: the bytes outside the audio, at most 16 MiB, and one piece.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from takewell.errors import FileError
from takewell.wave.decode import LEAD_BYTES, Samples, buffer_for, decode
from takewell.wave.header import read_header
from takewell.wave.riff import DS64_BYTES, HEADER_BYTES, IN_DS64, is_wave
from takewell.wave.sample_format import SampleFormat, parse_format
from takewell.wave.values import AudioInfo

_MOST_OUTSIDE = 16 << 20
_UNKNOWN_SIZES = (0, IN_DS64, (1 << 64) - 1)


class _NotStreamable(Exception):
    """Why the copy has to be measured afterwards."""


class StreamDecoder:
    """Decodes a WAVE, RF64 or BW64 file from the bytes that pass by.

    Parameters
    ----------
    path : path
        The name to use in sentences and in the information; nothing is opened.
    size_bytes : int or None
        Length of the whole file where it is known: a cut file is then recognised at its header.

    Feed every byte of the file in order, then call `finish`. Once `streamable` is False (see `reason`) feeding
    on does nothing and gives nothing: measure the copy afterwards, and forget the blocks given so far.
    """

    def __init__(self, path: Path = Path("stream"), size_bytes: int | None = None) -> None:
        self.info_so_far: AudioInfo | None = None
        """What the header says, from the moment the audio begins; chunks behind the audio and recoveries are
        still missing."""
        self.reason = ""
        self._path = path
        self._expected = size_bytes
        self._fed = 0
        self._head = bytearray()
        self._tail = bytearray()
        self._format: SampleFormat | None = None
        self._data_offset = 0
        self._data_bytes = 0
        self._taken = 0
        self._rest = b""

    @property
    def streamable(self) -> bool:
        """Whether the blocks given so far, and all to come, are right."""
        return not self.reason

    def feed(self, data: bytes | bytearray | memoryview) -> list[Samples]:
        """Take the next bytes; return the samples they complete, as (n, channels) arrays of the caller's own."""
        if self.reason:
            return []
        try:
            return self._fed_blocks(memoryview(data).cast("B"))
        except _NotStreamable as why:
            self._give_up(str(why))
            return []

    def finish(self) -> AudioInfo | None:
        """Return the whole information as `read_info` gives it, or None if the copy must be measured."""
        if self.reason:
            return None
        try:
            return self._finished()
        except _NotStreamable as why:
            self._give_up(str(why))
            return None

    def _give_up(self, reason: str) -> None:
        self.reason = reason
        self.info_so_far = None
        self._head, self._tail, self._rest = bytearray(), bytearray(), b""

    def _fed_blocks(self, data: memoryview) -> list[Samples]:
        self._fed += len(data)
        if self._format is None:
            self._head += data
            if not self._begin():
                return []
            data = memoryview(bytes(self._head[self._data_offset :]))
            del self._head[self._data_offset :]
        audio = data[: self._data_bytes - self._taken]
        self._tail += data[len(audio) :]
        if len(self._head) + len(self._tail) > _MOST_OUTSIDE:
            raise _NotStreamable(f"more than {_MOST_OUTSIDE >> 20} MiB lie outside its audio")
        return self._decoded(audio) if len(audio) else []

    def _decoded(self, audio: memoryview) -> list[Samples]:
        assert self._format is not None
        assert self._format.encoding is not None
        self._taken += len(audio)
        whole = (len(self._rest) + len(audio)) // self._format.block_bytes
        if whole == 0:
            self._rest += bytes(audio)
            return []
        buffer = buffer_for(whole * self._format.channels, self._format.encoding)
        middle = LEAD_BYTES + len(self._rest)
        used = buffer.size - middle
        buffer[LEAD_BYTES:middle] = _array(self._rest)
        buffer[middle:] = _array(audio[:used])
        self._rest = bytes(audio[used:])
        return [decode(buffer, self._format.encoding, self._format.channels)]

    def _begin(self) -> bool:
        """Look for the audio in the bytes so far; return whether it begins in them."""
        head = self._head
        if len(head) >= HEADER_BYTES and not is_wave(bytes(head[:HEADER_BYTES])):
            raise _NotStreamable("it is no WAVE, RF64 or BW64 file")
        position, large, found = HEADER_BYTES, 0, None
        while position + 8 <= len(head):
            name, size = (
                bytes(head[position : position + 4]),
                int.from_bytes(head[position + 4 : position + 8], "little"),
            )
            payload = bytes(head[position + 8 : position + 8 + min(size, 64)])
            if name == b"data":
                self._check_data(found, large if size == IN_DS64 else size, position + 8)
                return True
            if name == b"fmt " and found is None:
                if len(payload) < min(size, 64):
                    return False
                found = self._parsed(payload)
            if name == b"ds64" and size >= DS64_BYTES:
                if len(payload) < DS64_BYTES:
                    return False
                large = int.from_bytes(payload[8:16], "little")
            if size > _MOST_OUTSIDE:
                raise _NotStreamable(f"a chunk of {size} bytes stands before its audio")
            position += 8 + size + size % 2
        if len(head) > _MOST_OUTSIDE:
            raise _NotStreamable(f"no audio begins in its first {_MOST_OUTSIDE >> 20} MiB")
        return False

    def _parsed(self, payload: bytes) -> SampleFormat:
        try:
            return parse_format(payload, self._path)
        except FileError as error:
            raise _NotStreamable(str(error)) from error

    def _check_data(self, found: SampleFormat | None, size: int, offset: int) -> None:
        if found is None:
            raise _NotStreamable("its fmt chunk does not stand before its audio")
        if found.encoding is None:
            raise _NotStreamable("its audio is compressed")
        if size in _UNKNOWN_SIZES:
            raise _NotStreamable("its header does not say how long the audio is")
        if self._expected is not None and offset + size > self._expected:
            raise _NotStreamable("its header promises more audio than the file holds")
        self._format, self._data_offset, self._data_bytes = found, offset, size
        self.info_so_far = replace(self._info(offset + size), recoveries=())

    def _finished(self) -> AudioInfo:
        if self._format is None:
            raise _NotStreamable("it ends before its audio begins")
        if self._taken < self._data_bytes:
            raise _NotStreamable("its header promises more audio than the file holds")
        info = self._info(self._fed)
        self.info_so_far = info
        return info

    def _info(self, size: int) -> AudioInfo:
        source = _Passed(bytes(self._head[: self._data_offset]), bytes(self._tail), size)
        try:
            header = read_header(source, self._path)
        except FileError as error:
            raise _NotStreamable(str(error)) from error
        length = self._data_bytes // self._format.block_bytes if self._format else 0
        same = (header.info.data_offset, header.info.length_samples) == (self._data_offset, length)
        if not same or header.sample_format != self._format:
            raise _NotStreamable("its chunks contradict each other")
        return header.info


class _Passed:
    """A file of which the bytes before and after the audio were kept; the audio itself has gone."""

    def __init__(self, head: bytes, tail: bytes, size: int) -> None:
        self._head, self._tail, self.size = head, tail, size

    def read(self, offset: int, count: int) -> bytes:
        end = min(offset + count, self.size)
        if end <= len(self._head):
            return self._head[offset:end]
        gone = self.size - len(self._tail)
        if offset < gone:
            raise _NotStreamable("its chunks have to be searched for in the audio")
        return self._tail[offset - gone : end - gone]


def _array(data: bytes | memoryview) -> NDArray[np.uint8]:
    return np.frombuffer(data, np.uint8)
