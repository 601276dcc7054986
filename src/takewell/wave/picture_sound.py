"""How is the sound of a camera file read in pieces, from any sample on?

All sound streams of the file's main rate stand side by side as channels, on one clock: sample 0 is the earliest first sample
of any of them, and what a stream does not have (before it begins, after it ends, where packets are missing or cannot be
decoded) is silence. Reading on costs nothing; reading elsewhere goes back to a packet before the place and decodes up to it.

Conventions: as `audio_file`. Compressed sound is decoded from a quarter of a second before the place, so that what the
decoder carries from piece to piece is there.
"""

import contextlib
import threading
from collections import deque
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av.error
import numpy as np

from takewell.errors import FileError
from takewell.wave.byte_source import FileSource
from takewell.wave.decode import Samples
from takewell.wave.picture_stream import (
    SoundStream,
    chosen,
    container_name,
    frames,
    opened,
    samples_of,
    sound_streams,
)
from takewell.wave.sample_format import HIGHEST_RATE, LOWEST_RATE, MOST_CHANNELS
from takewell.wave.values import AudioInfo, Encoding

_WARM_UP_S = 0.25
_FROM_START_S = 1.0
"""Places before this are reached by decoding from the beginning."""

_TAIL_S = 2.0
"""Where the search for the last sample begins, before the end that the container claims."""

_OPEN_DECODERS = 3
"""Kept at a time for each stream, so that a few threads can each read on where they are."""

_BITS: dict[Encoding, int] = {"uint8": 8, "int16": 16, "int24": 24, "int32": 32, "float32": 32, "float64": 64}
_ORDER: tuple[Encoding, ...] = ("uint8", "int16", "int24", "float32", "int32", "float64")
"""Each holds the ones before it exactly."""


class PictureSound:
    """The sound of a camera file; see `open_audio`.

    Raises
    ------
    FileError
        If the file cannot be read or has no sound.
    """

    def __init__(self, source: FileSource, kind: str) -> None:
        path = source.path
        with contextlib.closing(opened(path, kind)) as container:
            name, tags = container_name(container, kind), dict(container.metadata)
        every, undecoded = sound_streams(path, kind)
        if not every:
            raise FileError(f"{path} has no sound: there are only pictures in it.")
        rate = every[0].rate
        streams = [stream for stream in every if stream.rate == rate]
        notes = [
            f"A sound stream of {stream.rate} Hz was left out; the first one runs at {rate} Hz."
            for stream in every
            if stream.rate != rate
        ]
        channels = sum(stream.channels for stream in streams)
        if not 1 <= channels <= MOST_CHANNELS:
            raise FileError(f"{path} has {channels} channels; 1 to {MOST_CHANNELS} are read.")
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise FileError(f"{path} has a sampling rate of {rate} Hz; 8 to 384 kHz are read.")
        self.start_s = min(stream.start_s for stream in streams)
        self._streams = [_Stream(path, kind, stream, self.start_s) for stream in streams]
        lengths = [stream.end for stream in self._streams]
        encoding = max((stream.encoding for stream in streams), key=_ORDER.index)
        self._double = encoding in ("int32", "float64")
        self.info = AudioInfo(
            path=path,
            container=name,
            encoding=encoding,
            rate=rate,
            channels=channels,
            length_samples=max(lengths),
            channel_mask=None,
            valid_bits=_BITS[encoding],
            data_offset=0,
            info={key: value for key, value in tags.items() if value},
            recoveries=(*undecoded, *notes),
        )

    def read(self, start_samples: int, count: int) -> Samples:
        """Return `count` samples from `start_samples`, all inside the file."""
        shape = (count, self.info.channels)
        out: Samples = np.zeros(shape, np.float64) if self._double else np.zeros(shape, np.float32)
        first = 0
        for stream in self._streams:
            stream.read_into(out[:, first : first + stream.sound.channels], start_samples)
            first += stream.sound.channels
        return out

    def close(self) -> None:
        """Close the file."""
        for stream in self._streams:
            stream.close()


class _Stream:
    """One sound stream on the clock of all; reading is safe from several threads."""

    def __init__(self, path: Path, kind: str, sound: SoundStream, start_s: Fraction) -> None:
        self._path, self._kind, self.sound = path, kind, sound
        self._shift = round((sound.start_s - start_s) * sound.rate)
        self._lock = threading.Lock()
        self._idle: deque[_Decoder] = deque()
        self.end = self._shift + self._length()

    def read_into(self, out: Samples, start: int) -> None:
        """Fill `out`, zeros, with what the stream has from `start` of the common clock on."""
        own = start - self._shift
        skipped = max(0, -own)
        count = min(len(out) - skipped, self.end - start - skipped)
        if count <= 0:
            return
        decoder = self._decoder(own + skipped)
        decoder.read_into(out[skipped : skipped + count], own + skipped)
        with self._lock:
            self._idle.append(decoder)
            spare = self._idle.popleft() if len(self._idle) > _OPEN_DECODERS else None
        if spare is not None:
            spare.close()

    def _decoder(self, position: int) -> "_Decoder":
        """Return a decoder that stands at `position` if there is one, else the one longest unused, else a new one."""
        with self._lock:
            for decoder in self._idle:
                if decoder.position == position:
                    self._idle.remove(decoder)
                    return decoder
            if len(self._idle) == _OPEN_DECODERS:
                return self._idle.popleft()
        return _Decoder(self._path, self._kind, self.sound)

    def _length(self) -> int:
        """Samples to the last one that decodes, at most those the container's edit list keeps."""
        with contextlib.closing(opened(self._path, self._kind)) as container:
            stream = container.streams[self.sound.index]
            own = None if stream.duration is None else stream.duration * Fraction(stream.time_base)
            whole = None if container.duration is None else Fraction(container.duration, 1_000_000)
        claimed = own if own is not None else whole
        end = self._last_end(claimed)
        if self._kind == "mov" and own is not None and self.sound.compressed:
            # The encoder fills its last piece up; the edit list says where the sound really ends.
            end = min(end, round(own * self.sound.rate))
        return end

    def _last_end(self, claimed: Fraction | None) -> int:
        back = Fraction(_TAIL_S)
        while True:
            near = 0 if claimed is None else max(0, int((claimed - back) * self.sound.rate))
            decoder = _Decoder(self._path, self._kind, self.sound)
            try:
                last = decoder.last_end(near)
            finally:
                decoder.close()
            if last is not None:
                return last
            if near == 0:
                raise FileError(f"{self._path} is damaged: not one sample of its sound can be decoded.")
            back *= 4

    def close(self) -> None:
        for decoder in self._idle:
            decoder.close()


class _Decoder:
    """Decodes one stream from wherever it was last."""

    def __init__(self, path: Path, kind: str, sound: SoundStream) -> None:
        self._path, self._kind, self._sound = path, kind, sound
        self._container: Any = None
        self._pieces: Iterator[tuple[int, Samples]] = iter(())
        self._piece: tuple[int, Samples] | None = None
        self.position = -1

    def read_into(self, out: Samples, start: int) -> None:
        """Fill `out` with the samples from `start` on; holes stay as they are."""
        if start != self.position:
            self._go_to(start)
        end = start + len(out)
        while True:
            if self._piece is None:
                self._piece = next(self._pieces, None)
                if self._piece is None:
                    break
            first, samples = self._piece
            low, high = max(first, start), min(first + len(samples), end)
            if low < high:
                out[low - start : high - start] = samples[low - first : high - first]
            if first + len(samples) > end:
                break
            self._piece = None
        self.position = end

    def last_end(self, near: int) -> int | None:
        """Return the sample after the last one, decoding from about `near` on; None if nothing is found."""
        self._go_to(near)
        last = None if self._piece is None else self._piece[0] + len(self._piece[1])
        for first, samples in self._pieces:
            last = max(last or 0, first + len(samples))
        return last

    def _go_to(self, start: int) -> None:
        """Stand so that the next piece begins at `start` or before, having decoded what leads up to it."""
        rate = self._sound.rate
        back = int(_WARM_UP_S * rate) if self._sound.compressed else 0
        while True:
            target = start - back
            if target < _FROM_START_S * rate:
                self._begin(None)
                return
            self._begin(self._sound.stamp(target))
            self._piece = next(self._pieces, None)
            if self._piece is not None and self._piece[0] <= max(0, start - back // 2):
                return
            back = 2 * back + rate  # the container went too far, or found nothing there

    def _begin(self, stamp: int | None) -> None:
        """Open the container anew, or go to the packet at or before a stamp."""
        self._piece = None
        try:
            if stamp is None or self._container is None:
                self.close()
                self._container = opened(self._path, self._kind)
                chosen(self._container, self._sound.index)
            stream = self._container.streams[self._sound.index]
            if stamp is not None:
                self._container.seek(stamp, stream=stream, backward=True)
        except av.error.FFmpegError as error:
            if stamp is None:
                raise FileError(f"{self._path} cannot be read: it is damaged ({error.strerror}).") from error
            self._pieces = iter(())
            return
        self._pieces = self._placed(stream)

    def _placed(self, stream: Any) -> Iterator[tuple[int, Samples]]:
        following = None
        for frame in frames(self._container, stream):
            if int(frame.rate) != self._sound.rate or frame.layout.nb_channels != self._sound.channels:
                raise FileError(
                    f"{self._path} changes its sound to {frame.layout.nb_channels} channels at {frame.rate} Hz on "
                    f"the way; it began with {self._sound.channels} at {self._sound.rate} Hz."
                )
            place = following if frame.pts is None else self._sound.place(frame.pts)
            if place is None:
                continue
            samples = samples_of(frame, self._sound.encoding)
            following = place + len(samples)
            yield place, samples

    def close(self) -> None:
        if self._container is not None:
            self._container.close()
            self._container = None
