"""Where in a camera file's sound does a piece that the decoder hands out belong, to the sample?

Containers stamp pieces of sound in ticks of their own: MOV and MP4 mostly one tick a sample, MPEG transport streams 90 000 a
second, Matroska 1000. Where ticks are too coarse to name a sample, pieces of one length lie on a grid of that length,
and the nearest grid point is the place; where a stamp lies off the grid by more than ticks can explain, sound is missing
there and the stamp counts.

Conventions: samples count from the first sample of the stream that is to be heard: after the encoder's delay and after what
an edit list leaves out, both of which the decoder takes off. Times are exact seconds on the file's own clock.

Sources: ISO/IEC 14496-12 (edit lists), ISO/IEC 13818-1 (90 kHz), RFC 9559 (Matroska).
"""

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
from numpy.typing import NDArray

from takewell.errors import FileError
from takewell.wave.decode import Samples
from takewell.wave.values import Encoding

_FORMATS = {"mov": "MOV", "mxf": "MXF", "mpegts": "MPEG-TS", "matroska": "Matroska"}
_GRID_PIECES = 8
"""Pieces looked at to find out whether all have one length."""

_SHORT = {"s16": "int16", "s32": "int32", "flt": "float32", "dbl": "float64", "u8": "uint8"}
_SCALES = {"uint8": np.float32(2.0**-7), "int16": np.float32(2.0**-15), "int24": np.float32(2.0**-31)}
"""To 1.0 at full scale; 24 bits stand at the top of 32."""

_24_BITS = {"alac", "flac", "s302m", "pcm_bluray", "pcm_dvd"}
"""Codecs, besides those that say 24, whose 32-bit samples hold 24 bits."""


def opened(path: Path, kind: str) -> Any:
    """Return the open container.

    Raises
    ------
    FileError
        If it is damaged beyond reading.
    """
    try:
        return av.open(os.fspath(path), format=kind, metadata_errors="replace")
    except (av.error.FFmpegError, OSError, ValueError) as error:
        raise FileError(f"{path} cannot be read: {reason(error, kind)}.") from error


def reason(error: Exception, kind: str) -> str:
    """Return the second half of a sentence about what PyAV could not do."""
    text = str(getattr(error, "strerror", None) or error)
    if kind == "mov" and "Invalid data" in text:
        return "its index is missing or damaged; the recording was never finished, or the file is cut"
    if "Invalid data" in text or "End of file" in text:
        return "it is damaged or ends too early"
    return text.lower().rstrip(".")


def container_name(container: Any, kind: str) -> str:
    """Return the container as people call it."""
    if kind == "mov" and container.metadata.get("major_brand", "qt  ") != "qt  ":
        return "MP4"
    return _FORMATS[kind]


@dataclass(frozen=True)
class SoundStream:
    """One sound stream of a camera file and how its stamps become places."""

    index: int
    codec: str
    rate: int
    channels: int
    encoding: Encoding
    tick: Fraction
    origin: int
    """Stamp of the first sample, in ticks."""
    grid: int | None
    """Samples a piece, where all have the same; None where places come from the stamps alone."""
    grid_start: int
    """Where the first piece of full length begins."""

    @property
    def start_s(self) -> Fraction:
        """Time of the first sample on the file's clock."""
        return self.origin * self.tick

    @property
    def exact(self) -> bool:
        """Whether every sample has a tick of its own."""
        return (1 / (self.tick * self.rate)).denominator == 1

    @property
    def compressed(self) -> bool:
        """Whether a piece needs those before it to be decoded."""
        return not self.codec.startswith("pcm_")

    def place(self, stamp: int) -> int:
        """Return the sample that a piece stamped so (in ticks) begins at."""
        position = (stamp - self.origin) * self.tick * self.rate
        if self.exact or self.grid is None:
            return round(position)
        on_grid = self.grid_start + self.grid * round((position - self.grid_start) / self.grid)
        # Two stamps are rounded or cut, this one and the origin; what lies further off is a hole.
        return on_grid if abs(position - on_grid) <= 2 * self.tick * self.rate + 1 else round(position)

    def stamp(self, sample: int) -> int:
        """Return the tick at or before a sample."""
        return self.origin + int(sample / (self.tick * self.rate) // 1)


def codec_name(stream: Any) -> str:
    """Return how a stream is coded, or that nobody knows."""
    return "unknown code" if stream.codec_context is None else str(stream.codec_context.name)


def sound_streams(path: Path, kind: str) -> tuple[tuple[SoundStream, ...], tuple[str, ...]]:
    """Return the sound streams of a camera file that can be decoded, in order, and a sentence for each other one.

    Raises
    ------
    FileError
        If the file cannot be read, or has sound streams and none can be decoded.
    """
    with contextlib.closing(opened(path, kind)) as container:
        streams = [(stream.index, codec_name(stream)) for stream in container.streams.audio]
    found, notes = [], []
    for index, codec in streams:
        stream = _examined(path, kind, index)
        if stream is None:
            notes.append(
                f"Sound stream {index} ({codec}) cannot be decoded; it is damaged, empty or not sound."
            )
        else:
            found.append(stream)
    if streams and not found:
        raise FileError(
            f"{path} has sound ({streams[0][1]}) that cannot be decoded; it is damaged, empty or not sound."
        )
    return tuple(found), tuple(notes)


def _examined(path: Path, kind: str, index: int) -> SoundStream | None:
    with contextlib.closing(opened(path, kind)) as container:
        stream = chosen(container, index)
        first: list[Any] = []
        if stream.codec_context is None:
            return None
        for frame in frames(container, stream):
            if frame.pts is not None:
                first.append(frame)
            if len(first) == _GRID_PIECES:
                break
        if not first:
            return None
        codec, tick = stream.codec_context.name, Fraction(first[0].time_base)
        lengths = [frame.samples for frame in first]
        # The first piece may be cut by the encoder's delay, the last by the end of the file.
        alike = len(lengths) > 3 and len(set(lengths[1:-1])) == 1
        return SoundStream(
            index=index,
            codec=codec,
            rate=int(first[0].rate),
            channels=first[0].layout.nb_channels,
            encoding=_encoding(codec, first[0].format.name),
            tick=tick,
            origin=first[0].pts,
            grid=lengths[1] if alike else None,
            grid_start=lengths[0] if alike else 0,
        )


def chosen(container: Any, index: int) -> Any:
    """Return the stream of that index, with every other one left unread."""
    for stream in container.streams:
        if stream.index != index:
            with contextlib.suppress(AttributeError, ValueError):
                stream.discard = "all"
    return container.streams[index]


def frames(container: Any, stream: Any) -> Iterator[Any]:
    """Yield the decoded pieces of a stream; packets that cannot be decoded give none, and leave a hole."""
    packets = container.demux(stream)
    while True:
        try:
            packet = next(packets)
        except StopIteration:
            return
        except av.error.FFmpegError:  # the file ends in the middle of a packet
            packet = None
        try:
            yield from stream.codec_context.decode(packet) if packet is None else packet.decode()
        except av.error.EOFError:
            return
        except av.error.FFmpegError:
            continue
        if packet is None:
            return


def samples_of(frame: Any, encoding: Encoding) -> Samples:
    """Return a decoded piece as (n, channels) floats, exact for integers of up to 24 bits."""
    stored: NDArray[Any] = frame.to_ndarray()
    channels = frame.layout.nb_channels
    table = stored.T if frame.format.is_planar else stored.reshape(-1, channels)
    if encoding in ("float32", "float64"):
        plain: Samples = np.ascontiguousarray(table)
        return plain
    if encoding == "int32":
        double: NDArray[np.float64] = np.multiply(table, 2.0**-31, dtype=np.float64)
        return double
    single: NDArray[np.float32] = table.astype(np.float32)  # exact: 24 bits at most
    if encoding == "uint8":
        single -= np.float32(128)
    single *= _SCALES[encoding]
    return single


def _encoding(codec: str, sample_format: str) -> Encoding:
    found: Any = _SHORT.get(sample_format.removesuffix("p"), "float32")
    if found == "int32" and ("24" in codec or codec in _24_BITS):
        return "int24"
    return found  # type: ignore[no-any-return]
