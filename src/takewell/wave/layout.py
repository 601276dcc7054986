"""What bytes stand before and after the audio of a file we write?

Conventions: header, then a slot of 36 bytes, then the chunks. The slot is ``JUNK`` while the file fits 32 bits
and becomes ``ds64`` in the same place once it does not, with RF64 for RIFF (EBU Tech 3306, clause 3.1); BW64
always carries ``ds64`` (ITU-R BS.2088-2). Chunks are padded to even length; the pad byte is not counted.
"""

import struct
from dataclasses import dataclass

from takewell.wave.riff import DS64_BYTES, IN_DS64
from takewell.wave.sample_format import EXTENSIBLE, GUID_TAIL, IEEE_FLOAT, PCM, SAMPLE_BYTES
from takewell.wave.values import Encoding


@dataclass(frozen=True)
class ChunkSize:
    """A chunk to be written: four-character id and payload size in bytes."""

    id: bytes
    size: int

    @property
    def stored(self) -> int:
        """Bytes it takes in the file: header, payload and pad byte."""
        return 8 + self.size + self.size % 2


def file_start(chunks: list[ChunkSize], length_samples: int, *, bw64: bool = False) -> bytes:
    """Return the bytes before the first chunk: RIFF, RF64 or BW64 header, and the slot.

    `chunks` are all chunks that follow, in order; one of them is ``data``. Chunks other than ``data`` may be
    above 4 GiB too: they go into the table of ``ds64``, and the slot grows by 12 bytes each.
    """
    table = b"".join(
        struct.pack("<4sQ", chunk.id, chunk.size)
        for chunk in chunks
        if chunk.id != b"data" and chunk.size >= IN_DS64
    )
    slot = DS64_BYTES + len(table)
    riff_size = 4 + 8 + slot + sum(chunk.stored for chunk in chunks)
    if riff_size < IN_DS64 and not bw64:
        return struct.pack("<4sI4s4sI", b"RIFF", riff_size, b"WAVE", b"JUNK", slot) + bytes(slot)
    data = next(chunk.size for chunk in chunks if chunk.id == b"data")
    return struct.pack(
        "<4sI4s4sIQQQI",
        b"BW64" if bw64 else b"RF64",
        IN_DS64,
        b"WAVE",
        b"ds64",
        slot,
        riff_size,
        data,
        0 if bw64 else length_samples,
        len(table) // 12,
    ) + table  # fmt: skip


def chunk_start(chunk: ChunkSize, *, large: bool) -> bytes:
    """Return a chunk's header; `large` says that the file has ``ds64``, which then holds the size of ``data``."""
    in_ds64 = chunk.size >= IN_DS64 or (large and chunk.id == b"data")
    return struct.pack("<4sI", chunk.id, IN_DS64 if in_ds64 else chunk.size)


def format_payload(encoding: Encoding, rate: int, channels: int, channel_mask: int | None) -> bytes:
    """Return the ``fmt `` payload: plain, or extensible where there is a channel mask (0: no positions)."""
    tag = IEEE_FLOAT if encoding.startswith("float") else PCM
    width = SAMPLE_BYTES[encoding]
    block = width * channels
    shown = tag if channel_mask is None else EXTENSIBLE
    plain = struct.pack("<HHIIHH", shown, channels, rate, rate * block, block, width * 8)
    if channel_mask is not None:
        return plain + struct.pack("<HHIH", 22, width * 8, channel_mask, tag) + GUID_TAIL
    return plain if tag == PCM else plain + b"\0\0"


def needs_fact(encoding: Encoding) -> bool:
    """Whether the format is other than PCM, which asks for a ``fact`` chunk with the number of samples."""
    return encoding.startswith("float")


def fact_payload(length_samples: int) -> bytes:
    """Return the ``fact`` payload; the number stands in ``ds64`` where it does not fit 32 bits."""
    return struct.pack("<I", min(length_samples, IN_DS64))
