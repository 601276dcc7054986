"""Where do the chunks of a WAVE, RF64 or BW64 file really lie, whatever their sizes claim?

Conventions: offsets are those of payloads, in bytes from the start of the file; a chunk is an eight-byte
header, a payload and a pad byte after an odd payload. In RF64 and BW64 a 32-bit size of FFFFFFFFh means that
the 64-bit size stands in ``ds64``. Sources: EBU Tech 3306 (RF64), ITU-R BS.2088-2 (BW64), Microsoft/IBM
Multimedia Programming Interface 1.0. What to make of wrong sizes is common practice, no source; each decision
is told in a sentence. Reads are small and bounded: no size a file states is ever allocated.
"""

import struct
from dataclasses import dataclass, field
from pathlib import Path

from takewell.errors import FileError
from takewell.wave.byte_source import ByteSource
from takewell.wave.chunk_chain import (
    KNOWN,
    MOST_CHUNKS,
    PRINTABLE,
    ends_well,
    is_chunk,
    likeness,
    trailing_chunks,
)
from takewell.wave.values import Chunk

HEADER_BYTES = 12
CONTAINERS = {b"RIFF": "WAVE", b"RF64": "RF64", b"BW64": "BW64"}
IN_DS64 = 0xFFFFFFFF
DS64_BYTES = 28

_HUNT_BYTES = 1 << 20
"""How far behind a chunk's start a lost ``data`` header is looked for."""
_DS64_LARGEST = 1 << 16
_MOST_HUNTS = 64
_FORMAT_SIZES = (16, 18, 40)
_UNSAID = 1 << 64
"""Stands for a size that no header states."""
_PLACEHOLDERS = (range(0x7FFF_0000, 0x8000_0001), range(0xFFFF_0000, 0x1_0000_0000), ((1 << 64) - 1,))
"""Sizes that programs write when they do not know the length yet (common practice)."""


@dataclass(frozen=True)
class Walk:
    """The chunks of a file as they really lie."""

    container: str
    chunks: tuple[Chunk, ...]
    data: Chunk
    missing_bytes: int
    """Bytes of audio that a credible header promised beyond the end of the file."""
    unfinished: bool
    """Whether the header never said how much audio there is."""
    loose_bytes: int
    """Bytes right behind the audio, up to the end, that belong to no chunk."""
    notes: tuple[str, ...]


@dataclass
class _State:
    source: ByteSource
    path: Path
    container: str
    riff_size: int
    trust_data_size: bool
    sizes: dict[bytes, int] = field(default_factory=dict)
    """64-bit sizes from ds64, by chunk id."""
    chunks: list[Chunk] = field(default_factory=list)
    data: Chunk | None = None
    missing_bytes: int = 0
    unfinished: bool = False
    loose_bytes: int = 0
    notes: list[str] = field(default_factory=list)
    garbage_at: int | None = None
    """Where the walk met something that is no chunk before any audio was found."""


def is_wave(start: bytes) -> bool:
    """Return whether a file's first twelve bytes are a WAVE, RF64 or BW64 header."""
    return start[:4] in CONTAINERS and start[8:12] == b"WAVE"


def walk(source: ByteSource, path: Path, *, trust_data_size: bool = True) -> Walk:
    """Return the chunks of a WAVE, RF64 or BW64 file and where its audio lies.

    With ``trust_data_size=False`` the audio goes on to the end, or to chunks that run exactly to the end,
    whatever its header says.

    Raises
    ------
    FileError
        If no audio can be found, or a read fails.
    """
    start = source.read(0, HEADER_BYTES)
    state = _State(
        source,
        path,
        CONTAINERS[start[:4]],
        int.from_bytes(start[4:8], "little"),
        trust_data_size=trust_data_size,
    )
    _walk_on(state, HEADER_BYTES)
    if all(chunk.id != "fmt " for chunk in state.chunks):
        _hunt(state, b"fmt ")
    if state.data is None:
        _hunt(state, b"data")
    if state.data is None:
        _take_all_as_audio(state)
    if state.data is None:
        raise FileError(f"{path} holds no audio: {_why_none(state)}.")
    _check_riff_size(state)
    return Walk(
        state.container,
        tuple(state.chunks),
        state.data,
        state.missing_bytes,
        state.unfinished,
        state.loose_bytes,
        tuple(state.notes),
    )


def _walk_on(state: _State, start: int) -> None:
    position: int | None = start
    while position is not None and position < state.source.size:
        if len(state.chunks) >= MOST_CHUNKS:
            state.notes.append(f"Only the first {MOST_CHUNKS} chunks were looked at.")
            return
        position = _step(state, position)


def _why_none(state: _State) -> str:
    names = ", ".join(repr(chunk.id.strip()) for chunk in state.chunks[:8])
    if not names:
        return f"it ends or turns unreadable right after its {state.container} header ({state.source.size} bytes in all)"
    return f"there is no data chunk among its chunks ({names})"


def _step(state: _State, position: int) -> int | None:
    """Take in the chunk whose header is at `position`; return where the next one starts, None at the end."""
    source = state.source
    head = source.read(position, 8)
    if len(head) < 8 or not PRINTABLE.fullmatch(head[:4]):
        _end_of_chunks(state, position)
        return None
    name, stated, offset = head[:4], int.from_bytes(head[4:], "little"), position + 8
    left = source.size - offset
    if name == b"ds64":
        _take_ds64(state, offset, min(stated, left, _DS64_LARGEST))
    if name == b"data" and state.data is None:
        state.data = _real_data(state, offset, stated)
        state.chunks.append(state.data)
        return _next_start(state, offset, state.data.size)
    size = state.sizes.get(name, stated) if stated == IN_DS64 else stated
    if size > left:
        if state.data is not None and name not in KNOWN:
            _end_of_chunks(state, position)
            return None
        state.notes.append(
            f"The chunk {_shown(name)} at byte {position} says {size} bytes, but the file ends after {left} of them."
        )
        size = left
    state.chunks.append(Chunk(name.decode("latin-1"), offset, size))
    if name == b"data":
        state.notes.append(f"A second data chunk of {size} bytes at byte {position} was not read.")
    return _next_start(state, offset, size)


def _shown(name: bytes) -> str:
    return repr(name.decode("latin-1").strip())


def _next_start(state: _State, offset: int, size: int) -> int:
    """Where the chunk behind a payload starts: padded to even as the standard asks, or not, if only that fits."""
    end = offset + size
    if size % 2 == 0 or end >= state.source.size:
        return end
    if likeness(state.source, end) > likeness(state.source, end + 1):
        state.notes.append(
            f"The chunk that ends at byte {end} has an odd size and no pad byte; the next one was read all the same."
        )
        return end
    return end + 1


def _end_of_chunks(state: _State, position: int) -> None:
    left = state.source.size - position
    if state.data is None:
        state.garbage_at = position if left >= 8 else None
        return
    if state.chunks[-1] is state.data:
        state.loose_bytes = state.source.size - state.data.offset - state.data.size
    if any(state.source.read(position, min(left, 4096))) or left > 4096:
        state.notes.append(
            f"{left} bytes behind the last chunk, from byte {position} on, are no chunk and were left out."
        )


def _take_ds64(state: _State, offset: int, size: int) -> None:
    if size < DS64_BYTES:
        state.notes.append(f"The ds64 chunk has {size} bytes where {DS64_BYTES} are needed; it was not used.")
        return
    payload = state.source.read(offset, size)
    riff, data, _, entries = struct.unpack_from("<QQQI", payload)
    state.sizes[b"RIFF"], state.sizes[b"data"] = riff, data
    for k in range(min(entries, (size - DS64_BYTES) // 12)):
        name, large = struct.unpack_from("<4sQ", payload, DS64_BYTES + 12 * k)
        state.sizes.setdefault(name, large)


def _real_data(state: _State, offset: int, stated: int) -> Chunk:
    """Return the ``data`` chunk at `offset` with as many bytes as are really audio."""
    left = state.source.size - offset
    size = state.sizes.get(b"data", _UNSAID) if stated == IN_DS64 else stated
    if not state.trust_data_size or (size == 0 and left and not ends_well(state.source, offset)):
        size = _UNSAID
    if size > left:
        state.unfinished = size == _UNSAID or any(size in values for values in _PLACEHOLDERS)
        promised, size = size, trailing_chunks(state.source, offset) - offset
        state.unfinished |= size < left
        state.missing_bytes = 0 if state.unfinished else promised - size
    else:
        size = _unwrapped(state, offset, size, left)
    return Chunk("data", offset, size)


def _unwrapped(state: _State, offset: int, size: int, left: int) -> int:
    """Undo a 32-bit size that ran over: audio longer than 4 GiB whose size was written modulo 2^32."""
    if left - size < 1 << 32 or is_chunk(state.source, offset + size + size % 2):
        return size
    for turns in range((left - size) >> 32, 0, -1):
        full = size + (turns << 32)
        if offset + full == state.source.size or ends_well(state.source, offset + full + full % 2):
            state.notes.append(
                f"The header's data size of {size} bytes ran over at 4 GiB; the audio has {full} bytes and all were "
                "read."
            )
            return full
    return size


def _hunt(state: _State, name: bytes) -> None:
    """Find a chunk that was jumped over, because a size before it lies or bytes before it are no chunk."""
    places = [HEADER_BYTES, *(chunk.offset for chunk in state.chunks if chunk.id not in ("fmt ", "data"))]
    if state.garbage_at is not None:
        places.append(state.garbage_at)
    for place in places[:_MOST_HUNTS]:
        end = state.source.size if state.data is None else state.data.offset - 8
        window = state.source.read(place, min(_HUNT_BYTES, end - place))
        at = window.find(name)
        while at >= 0:
            if _is_lost_chunk(state, name, place + at):
                _adopt(state, place + at)
                return
            at = window.find(name, at + 1)


def _take_all_as_audio(state: _State) -> None:
    """Without any ``data`` header, what follows the last chunk is the audio."""
    start = state.garbage_at
    if start is not None and any(chunk.id == "fmt " for chunk in state.chunks):
        left = state.source.size - start
        state.notes.append(
            f"The header of the data chunk is missing; all {left} bytes from byte {start} on were taken as audio."
        )
        state.data = Chunk("data", start, left)
        state.chunks.append(state.data)
        state.unfinished = True


def _is_lost_chunk(state: _State, name: bytes, position: int) -> bool:
    """Whether a name found in the bytes is a chunk's header, not a word in a text."""
    head = state.source.read(position, 8)
    if len(head) < 8:
        return False
    size, end = int.from_bytes(head[4:], "little"), position + 8 + int.from_bytes(head[4:], "little")
    if name == b"fmt ":
        return size in _FORMAT_SIZES and end < state.source.size
    if size == 0:
        return not any(chunk.offset <= position < chunk.offset + chunk.size for chunk in state.chunks)
    if size == IN_DS64:
        return True
    return abs(state.source.size - end) <= 1 or (
        end < state.source.size and ends_well(state.source, end + size % 2)
    )


def _adopt(state: _State, position: int) -> None:
    """Go on with the chunk found at `position` as if it had been walked to."""
    swallowed = next((c for c in state.chunks if c.offset <= position < c.offset + c.size), None)
    state.chunks = [chunk for chunk in state.chunks if chunk.offset < position and chunk is not swallowed]
    name = state.source.read(position, 4)
    if swallowed is None:
        state.notes.append(
            f"Bytes that are no chunk stand before the chunk {_shown(name)}, found at byte {position}."
        )
    else:
        state.chunks.append(Chunk(swallowed.id, swallowed.offset, position - swallowed.offset))
        state.notes.append(
            f"The chunk {swallowed.id.strip()!r} at byte {swallowed.offset - 8} says {swallowed.size} bytes or more, but "
            f"the chunk {_shown(name)} stands inside it at byte {position} and was read."
        )
    state.garbage_at, state.data = None, None
    _walk_on(state, position)


def _check_riff_size(state: _State) -> None:
    if state.unfinished or state.missing_bytes:
        return
    stated = state.sizes.get(b"RIFF", IN_DS64) if state.riff_size == IN_DS64 else state.riff_size
    really = state.source.size - 8
    if abs(stated - really) > 1 and stated % (1 << 32) != really % (1 << 32):
        state.notes.append(
            f"The header says that the file has {stated + 8} bytes, but it has {state.source.size}; the chunks were "
            "read as they lie."
        )
