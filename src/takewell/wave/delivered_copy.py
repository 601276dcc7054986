"""How does a copy get corrected metadata while its audio stays untouched?

Conventions: chunks keep their order and their bytes; only ``bext`` and ``iXML`` are replaced (put before the
audio where there were none), sizes are set right, and the container's own ``ds64`` or its reserve is renewed.
"""

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import FileError
from takewell.files import atomic_path, destination_error
from takewell.wave.bext import build_bext
from takewell.wave.byte_source import FileSource
from takewell.wave.header import Header, read_header
from takewell.wave.ixml_document import build_ixml
from takewell.wave.layout import ChunkSize, chunk_start, file_start
from takewell.wave.riff import DS64_BYTES, is_wave
from takewell.wave.values import Bext, Chunk, Ixml

_PIECE_BYTES = 4 << 20


@dataclass(frozen=True)
class _Part:
    """A chunk of the copy: new bytes, or `size` bytes of the source from `offset`."""

    id: bytes
    size: int
    offset: int = 0
    payload: bytes | None = None


def copy_with_metadata(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    bext: Bext | None = None,
    ixml: Ixml | None = None,
    replace_existing: bool = True,
) -> None:
    """Write a copy of a WAVE, RF64 or BW64 file with another bext or iXML; nothing else changes.

    Parameters
    ----------
    source, target : path
        `source` is only read. A file whose header was never finished or whose end is missing is copied as far
        as it goes, with a header that says so; bytes that belong to no chunk stay behind.
    bext : Bext or None
        Written as version 2; None keeps the source's chunk byte by byte.
    ixml : Ixml or None
        Edited into the source's document where ``ixml.xml`` holds it; None keeps the source's chunk.
    replace_existing : bool
        Whether a file named `target` may be replaced.

    Raises
    ------
    FileError
        If the source cannot be read or is no WAVE file.
    SettingError
        If a text does not fit its field.
    DestinationError
        If the target cannot be written.
    """
    with contextlib.closing(FileSource(source)) as file:
        if not is_wave(file.read(0, 12)):
            raise FileError(
                f"{file.path} is no WAVE, RF64 or BW64 file; only those get new metadata in a copy."
            )
        header = read_header(file, file.path)
        parts = _parts(header, bext, ixml)
        sizes = [ChunkSize(part.id, part.size) for part in parts]
        start = file_start(sizes, header.info.length_samples, bw64=header.info.container == "BW64")
        large = start[:4] != b"RIFF"
        with atomic_path(target, replace=replace_existing) as temporary:
            try:
                handle = temporary.open("wb")
            except OSError as error:
                raise destination_error(Path(target), error) from error
            with handle:
                pieces = _bytes(file, parts, sizes, start, large=large)
                for piece in pieces:
                    try:
                        handle.write(piece)
                    except OSError as error:
                        raise destination_error(Path(target), error) from error


def _parts(header: Header, bext: Bext | None, ixml: Ixml | None) -> list[_Part]:
    new: dict[str, bytes] = {}
    if bext is not None:
        new["bext"] = build_bext(bext)
    if ixml is not None:
        new["iXML"] = build_ixml(ixml, bext=bext)
    parts: list[_Part] = []
    placed = set()
    for chunk in _kept(header):
        if chunk.id == "data":
            missing = [name for name in new if all(other.id != name for other in header.info.chunks)]
            parts += [_Part(name.encode(), len(new[name]), payload=new[name]) for name in missing]
        if chunk.id not in new:
            parts.append(_Part(chunk.id.encode("latin-1"), _size(chunk, header), chunk.offset))
        elif chunk.id not in placed:
            parts.append(_Part(chunk.id.encode(), len(new[chunk.id]), payload=new[chunk.id]))
            placed.add(chunk.id)
    return parts


def _kept(header: Header) -> list[Chunk]:
    """The chunks to be written, without ``ds64``, the reserve in its place and a second ``data``."""
    kept, data_seen = [], False
    for place, chunk in enumerate(header.info.chunks):
        reserve = place == 0 and chunk.id in ("JUNK", "junk") and chunk.size >= DS64_BYTES
        second = chunk.id == "data" and data_seen
        data_seen |= chunk.id == "data"
        if not (reserve or second or chunk.id == "ds64"):
            kept.append(chunk)
    return kept


def _size(chunk: Chunk, header: Header) -> int:
    block = header.sample_format.block_bytes
    return chunk.size // block * block if chunk.id == "data" and block else chunk.size


def _bytes(
    file: FileSource, parts: list[_Part], sizes: list[ChunkSize], start: bytes, *, large: bool
) -> Iterator[bytes | memoryview]:
    yield start
    buffer = memoryview(bytearray(_PIECE_BYTES))
    for part, size in zip(parts, sizes, strict=True):
        yield chunk_start(size, large=large)
        if part.payload is not None:
            yield part.payload
        else:
            for position in range(0, part.size, _PIECE_BYTES):
                piece = buffer[: min(_PIECE_BYTES, part.size - position)]
                file.read_into(piece, part.offset + position)
                yield piece
        yield bytes(part.size % 2)
