"""What is in a WAVE, RF64 or BW64 file? Its header judged, with every recovery told in a sentence.

Conventions: the chunks are found by `riff`; here their payloads are read (bounded, whatever their sizes claim)
and put together. Audio counts in whole samples of all channels.
"""

from dataclasses import dataclass
from pathlib import Path

from takewell.errors import FileError
from takewell.wave.bext import FIXED_BYTES, parse_bext
from takewell.wave.byte_source import ByteSource
from takewell.wave.continuation import LEAST_SECONDS, LOOK_SECONDS, continues
from takewell.wave.decode import decode_bytes
from takewell.wave.ixml import LARGEST_DOCUMENT, parse_ixml
from takewell.wave.labels import parse_cues, parse_info, parse_labels
from takewell.wave.riff import Walk, walk
from takewell.wave.sample_format import SampleFormat, parse_format
from takewell.wave.values import AudioInfo, Bext, Chunk, Ixml

_MOST_NOTES = 20
_LARGEST_LOOK = 4 << 20
"""Bytes on either side of a join that are compared at most."""
_LARGEST_TEXT = 1 << 20
"""Bytes read of any one descriptive chunk but iXML."""


@dataclass(frozen=True)
class Header:
    """A file's information, with what reading its samples needs besides."""

    info: AudioInfo
    sample_format: SampleFormat


def read_header(source: ByteSource, path: Path) -> Header:
    """Return what a WAVE, RF64 or BW64 file says of itself and what was recovered.

    Raises
    ------
    FileError
        If there is no audio, no ``fmt `` chunk, or one that cannot be true.
    """
    found = walk(source, path)
    sample_format = parse_format(_payload(source, _format_chunk(found, path), 64), path)
    notes = list(sample_format.oddities)
    if _goes_on(source, found, sample_format):
        stated = found.data.size // sample_format.block_bytes
        notes.append(f"The header stops at {stated} samples, but the audio goes on behind them.")
        found = walk(source, path, trust_data_size=False)
    length = _length(found, sample_format, notes)
    bext = _bext(source, found, notes)
    ixml = _ixml(source, found, notes)
    texts, cues = _labels(source, found)
    info = AudioInfo(
        path=path,
        container=found.container,
        encoding=sample_format.encoding or "int16",
        rate=sample_format.rate,
        channels=sample_format.channels,
        length_samples=length,
        channel_mask=sample_format.channel_mask,
        valid_bits=sample_format.valid_bits,
        data_offset=found.data.offset,
        bext=bext,
        ixml=ixml,
        info=texts,
        cues=cues,
        chunks=found.chunks,
        recoveries=_few([*found.notes, *notes]),
        ambisonic=sample_format.ambisonic,
    )
    return Header(info, sample_format)


def _few(notes: list[str]) -> tuple[str, ...]:
    if len(notes) <= _MOST_NOTES:
        return tuple(notes)
    return (*notes[:_MOST_NOTES], f"{len(notes) - _MOST_NOTES} more things of this kind were found.")


def _goes_on(source: ByteSource, found: Walk, sample_format: SampleFormat) -> bool:
    """Whether the bytes behind the audio are audio that the header does not know of."""
    block, encoding = sample_format.block_bytes, sample_format.encoding
    if encoding is None or found.loose_bytes < LEAST_SECONDS * sample_format.rate * block:
        return False
    join = found.data.offset + found.data.size // block * block
    look = min(int(LOOK_SECONDS * sample_format.rate), _LARGEST_LOOK // block) * block
    start = max(found.data.offset, join - look)
    before, behind = (
        decode_bytes(source.read(place, count), encoding, sample_format.channels)
        for place, count in ((start, join - start), (join, look))
    )
    return continues(before, behind)


def _format_chunk(found: Walk, path: Path) -> Chunk:
    for chunk in found.chunks:
        if chunk.id == "fmt ":
            return chunk
    raise FileError(
        f"{path} cannot be read: it has no fmt chunk, so its sampling rate and word length are unknown."
    )


def _payload(source: ByteSource, chunk: Chunk, limit: int = _LARGEST_TEXT) -> bytes:
    return source.read(chunk.offset, min(chunk.size, limit))


def _length(found: Walk, sample_format: SampleFormat, notes: list[str]) -> int:
    block = sample_format.block_bytes
    if not block:
        return 0
    length, rest = divmod(found.data.size, block)
    seconds = f"{length} samples, {length / sample_format.rate:.3f} s"
    if found.unfinished:
        notes.append(
            f"The header was never finished; its audio was found to be {found.data.size} bytes long ({seconds})."
        )
    elif found.missing_bytes:
        lost = -(-(found.missing_bytes + rest) // block)
        notes.append(
            f"The file is cut: {lost} samples ({lost / sample_format.rate:.3f} s) that the header promises at the end "
            f"are missing; {seconds} were read."
        )
    if rest:
        notes.append(
            f"The last {rest} bytes of the audio are no whole sample of all channels and were left out."
        )
    return length


def _bext(source: ByteSource, found: Walk, notes: list[str]) -> Bext | None:
    chunks = [chunk for chunk in found.chunks if chunk.id == "bext"]
    if not chunks:
        return None
    if len(chunks) > 1:
        notes.append(f"There are {len(chunks)} bext chunks; the first was used.")
    if chunks[0].size < FIXED_BYTES:
        notes.append(
            f"The bext chunk has {chunks[0].size} bytes where {FIXED_BYTES} are needed; what is there was read."
        )
    return parse_bext(_payload(source, chunks[0]))


def _ixml(source: ByteSource, found: Walk, notes: list[str]) -> Ixml | None:
    chunks = [chunk for chunk in found.chunks if chunk.id == "iXML"]
    if not chunks:
        return None
    if len(chunks) > 1:
        notes.append(f"There are {len(chunks)} iXML chunks; the first was used.")
    ixml, oddities = parse_ixml(_payload(source, chunks[0], LARGEST_DOCUMENT + 1))
    notes.extend(oddities)
    return ixml


def _labels(source: ByteSource, found: Walk) -> tuple[dict[str, str], tuple[tuple[int, str], ...]]:
    texts: dict[str, str] = {}
    labels: dict[int, str] = {}
    cues: list[tuple[int, int]] = []
    for chunk in found.chunks:
        if chunk.id == "LIST":
            payload = _payload(source, chunk)
            texts = {**parse_info(payload), **texts}
            labels = {**parse_labels(payload), **labels}
        elif chunk.id == "cue ":
            cues += parse_cues(_payload(source, chunk))
    return texts, tuple((sample, labels.get(number, "")) for number, sample in cues)
