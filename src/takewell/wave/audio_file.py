"""How is any sound file read in pieces, with the same few calls?

Conventions: samples are (n, channels) floats, 1.0 = full scale, float32 except for int32 and float64 files
(see `decode`). Positions count samples per channel. Memory is bounded by what one call asks for.
"""

import os
from collections.abc import Iterator
from types import TracebackType
from typing import Protocol, Self

from takewell.errors import SettingError
from takewell.wave.byte_source import FileSource
from takewell.wave.decode import LEAD_BYTES, Samples, buffer_for, decode
from takewell.wave.header import Header, read_header
from takewell.wave.picture_kind import START_BYTES, picture_kind
from takewell.wave.riff import is_wave
from takewell.wave.values import AudioInfo, Chunk

BLOCK_SAMPLES = 65_536


class _Reader(Protocol):
    """Where samples come from; `read` is only asked for what lies inside the file."""

    info: AudioInfo

    def read(self, start_samples: int, count: int) -> Samples: ...

    def close(self) -> None: ...


class AudioFile:
    """An open sound file; see `open_audio`. Reading is safe from several threads at once."""

    def __init__(self, source: FileSource, reader: _Reader) -> None:
        self._source = source
        self._reader = reader
        self.info = reader.info

    def read(self, start_samples: int, count: int) -> Samples:
        """Return samples ``start_samples`` to ``start_samples + count``, or to the end of the file.

        Returns
        -------
        (n, channels) float array
            Aligned, C-contiguous and the caller's own; `n` is below `count` only at the end of the file.

        Raises
        ------
        SettingError
            If `start_samples` or `count` is negative.
        FileError
            If the file gives less than its header was found to hold (a card taken out, say).
        """
        if start_samples < 0 or count < 0:
            raise SettingError(
                f"Samples {start_samples} to {start_samples + count} were asked for; 0 is the first."
            )
        return self._reader.read(start_samples, max(0, min(count, self.info.length_samples - start_samples)))

    def blocks(
        self, block_samples: int = BLOCK_SAMPLES, start: int = 0, stop: int | None = None
    ) -> Iterator[Samples]:
        """Yield the samples from `start` to `stop` (the end) in blocks; the last may be shorter.

        Raises
        ------
        SettingError
            If `block_samples` is below 1 or `start` negative.
        FileError
            As `read`.
        """
        if block_samples < 1:
            raise SettingError(f"A block of {block_samples} samples was asked for; 1 is the least.")
        end = self.info.length_samples if stop is None else min(stop, self.info.length_samples)
        for position in range(start, end, block_samples):
            yield self.read(position, min(block_samples, end - position))

    def chunk_bytes(self, chunk: Chunk, limit: int = 1 << 24) -> bytes:
        """Return the payload of one of ``info.chunks``, at most `limit` bytes of it."""
        return self._source.read(chunk.offset, min(chunk.size, limit))

    def close(self) -> None:
        """Close the file."""
        self._reader.close()
        self._source.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _WaveReader:
    def __init__(self, source: FileSource, header: Header) -> None:
        self._source = source
        self._block_bytes = header.sample_format.block_bytes
        self.info = header.info

    def read(self, start_samples: int, count: int) -> Samples:
        info = self.info
        buffer = buffer_for(count * info.channels, info.encoding)
        self._source.read_into(buffer.data[LEAD_BYTES:], info.data_offset + start_samples * self._block_bytes)
        return decode(buffer, info.encoding, info.channels)

    def close(self) -> None:
        pass


def open_audio(path: str | os.PathLike[str]) -> AudioFile:
    """Open any readable sound file: WAVE, RF64 and BW64 by our own code, camera files through PyAV, others through
    libsndfile.

    Use it in a ``with`` statement. ``info.recoveries`` says in plain sentences what had to be recovered.

    Raises
    ------
    FileError
        If the file is missing, empty, not readable, no sound file, or too damaged to find audio in it.
    """
    source = FileSource(path)
    try:
        return AudioFile(source, _reader(source))
    except BaseException:
        source.close()
        raise


def read_info(path: str | os.PathLike[str]) -> AudioInfo:
    """Return what a sound file's header says, without reading its audio.

    Raises
    ------
    FileError
        As `open_audio`.
    """
    with open_audio(path) as audio:
        return audio.info


def _reader(source: FileSource) -> _Reader:
    start = source.read(0, START_BYTES)
    if not is_wave(start[:12]):
        kind = picture_kind(start)
        if kind is not None:
            from takewell.wave.picture_sound import PictureSound

            return PictureSound(source, kind)
        from takewell.wave.other_formats import LibraryReader

        return LibraryReader(source)
    header = read_header(source, source.path)
    if header.sample_format.encoding is None:
        from takewell.wave.other_formats import LibraryReader

        return LibraryReader(source, header.info)
    return _WaveReader(source, header)
