"""How is a Broadcast Wave file written, whole or not at all, at any length?

Conventions: bext version 2 and iXML before the audio (EBU Tech 3285 v2); a slot reserved so that a file that
grows past 4 GiB becomes RF64 in place (EBU Tech 3306); samples (n, channels) floats, 1.0 = full scale. The
file appears under its name only when it is finished. Killed in between, it leaves a hidden file whose audio
`open_audio` still recovers.
"""

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Literal, Self, get_args

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SettingError, SignalError
from takewell.files import atomic_path, destination_error
from takewell.wave.bext import build_bext
from takewell.wave.decode import Samples
from takewell.wave.ixml_document import build_ixml
from takewell.wave.layout import ChunkSize, chunk_start, fact_payload, file_start, format_payload, needs_fact
from takewell.wave.noise_shape import feedback_taps
from takewell.wave.quantise import Quantiser
from takewell.wave.sample_format import HIGHEST_RATE, LOWEST_RATE, MOST_CHANNELS, SAMPLE_BYTES
from takewell.wave.values import Bext, Ixml

WrittenEncoding = Literal["int16", "int24", "int32", "float32", "float64"]
WRITTEN_ENCODINGS: tuple[WrittenEncoding, ...] = get_args(WrittenEncoding)


class BroadcastWriter:
    """Writes one Broadcast Wave file; a context manager.

    Parameters
    ----------
    path : path
        Where the file appears when the block ends well; nothing is left there otherwise.
    rate : int
        Sampling rate in Hz, 8 to 384 kHz.
    channels : int
        1 to 64.
    encoding : {"int16", "int24", "int32", "float32", "float64"}
    bext : Bext
        Written as version 2. May be replaced until the end (`bext`), for figures known only then.
    ixml : Ixml or None
        Written strictly. A document it was read from is edited: what we do not know in it is kept, and what it
        repeats of the format and of bext follows the file.
    channel_mask : int or None
        Speaker positions (dwChannelMask; 0 = none). None writes the plain format chunk that every reader of
        multitrack files knows; a number writes WAVE_FORMAT_EXTENSIBLE.
    dither : bool or sequence of bool
        For all channels or for each: triangular dither for integer encodings; without it, samples that came from integers return bit by bit.
    seed : int
        Of the dither.
    noise_shaping : bool
        Whether the noise of dithered integers is moved to where ears hear least (`noise_shape`).
    replace_existing : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    SettingError
        If a number is out of range or a text does not fit its field.
    DestinationError
        If the place is full, missing, read-only or taken.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        rate: int,
        channels: int,
        encoding: WrittenEncoding,
        bext: Bext | None = None,
        ixml: Ixml | None = None,
        channel_mask: int | None = None,
        dither: bool | Sequence[bool] = True,
        seed: int = 0,
        noise_shaping: bool = False,
        replace_existing: bool = True,
    ) -> None:
        if encoding not in WRITTEN_ENCODINGS:
            raise SettingError(f"encoding {encoding!r} is not written; {', '.join(WRITTEN_ENCODINGS)} are.")
        if not 1 <= channels <= MOST_CHANNELS:
            raise SettingError(f"{channels} channels cannot be written; 1 to {MOST_CHANNELS} can.")
        if not LOWEST_RATE <= rate <= HIGHEST_RATE:
            raise SettingError(f"A sampling rate of {rate} Hz cannot be written; 8 to 384 kHz can.")
        if channel_mask is not None and not 0 <= channel_mask < 1 << 32:
            raise SettingError(f"A channel mask of {channel_mask} cannot be written; 0 to 2^32 - 1 can.")
        self.path = Path(path)
        self.rate, self.channels, self.encoding = rate, channels, encoding
        self.length_samples = 0
        self._bext = bext or Bext()
        self._replace_existing = replace_existing
        self._format = format_payload(encoding, rate, channels, channel_mask)
        self._bext_bytes = len(build_bext(self._bext))
        self._ixml = None if ixml is None else build_ixml(ixml, bext=self._bext, encoding=encoding, rate=rate)
        self._quantiser = (
            Quantiser(
                encoding,
                channels,
                dither=dither,
                seed=seed,
                feedback=feedback_taps(rate) if noise_shaping else None,
            )
            if encoding != "float32" and encoding != "float64"
            else None
        )
        self._stack = contextlib.ExitStack()
        self._file: BinaryIO | None = None

    @property
    def bext(self) -> Bext:
        """The broadcast extension to be written. Set it until the end, with a coding history no longer than before."""
        return self._bext

    @bext.setter
    def bext(self, bext: Bext) -> None:
        size = len(build_bext(bext))
        if size > self._bext_bytes:
            raise SettingError(
                f"The bext chunk of {self.path} has room for {self._bext_bytes} bytes, the new one has {size}: give the "
                "whole coding history from the start."
            )
        self._bext = bext

    @property
    def clipped_samples(self) -> NDArray[np.int64]:
        """Samples of each channel held at the rails so far; zeros for float."""
        return (
            np.zeros(self.channels, np.int64) if self._quantiser is None else self._quantiser.clipped.copy()
        )

    @property
    def replaced_samples(self) -> NDArray[np.int64]:
        """Samples of each channel that were no number and became zero; zeros for float, which keeps them."""
        return (
            np.zeros(self.channels, np.int64) if self._quantiser is None else self._quantiser.replaced.copy()
        )

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            temporary = stack.enter_context(atomic_path(self.path, replace=self._replace_existing))
            self._file = stack.enter_context(temporary.open("r+b"))
            self._put(self._start())
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is not None:
            self._stack.__exit__(kind, error, trace)
            return
        with self._stack:
            self._finish()

    def write(self, samples: Samples) -> None:
        """Append samples, an (n, channels) float array.

        Raises
        ------
        SignalError
            If the array has another shape or holds no floats.
        DestinationError
            If the disk is full or gone.
        """
        if samples.ndim != 2 or samples.shape[1] != self.channels:
            raise SignalError(f"samples have the shape {samples.shape}; (n, {self.channels}) is needed.")
        if samples.dtype not in (np.float32, np.float64):
            raise SignalError(f"samples are {samples.dtype}; float32 or float64 is needed.")
        if self._quantiser is not None:
            data: NDArray[np.uint8] = self._quantiser.encode(samples)
        else:
            data = np.ascontiguousarray(samples, "<f4" if self.encoding == "float32" else "<f8").view(
                np.uint8
            )
        self._put(data.reshape(-1).data)
        self.length_samples += len(samples)

    def _put(self, data: bytes | memoryview) -> None:
        if self._file is None:
            raise SettingError(f"{self.path} is not open for writing; use the writer in a with statement.")
        try:
            self._file.write(data)
        except OSError as error:
            raise destination_error(self.path, error) from error

    def _start(self) -> bytes:
        """All bytes before the audio; their number does not depend on how much audio there is."""
        payloads = {b"bext": build_bext(self._bext).ljust(self._bext_bytes, b"\0"), b"fmt ": self._format}
        if needs_fact(self.encoding):
            payloads[b"fact"] = fact_payload(self.length_samples)
        if self._ixml is not None:
            payloads[b"iXML"] = self._ixml
        block_bytes = SAMPLE_BYTES[self.encoding] * self.channels
        data = ChunkSize(b"data", self.length_samples * block_bytes)
        sizes = [ChunkSize(name, len(payload)) for name, payload in payloads.items()]
        start = file_start([*sizes, data], self.length_samples)
        large = start[:4] != b"RIFF"
        for size, payload in zip(sizes, payloads.values(), strict=True):
            start += chunk_start(size, large=large) + payload + bytes(size.size % 2)
        return start + chunk_start(data, large=large)

    def _finish(self) -> None:
        assert self._file is not None
        if self.length_samples * SAMPLE_BYTES[self.encoding] * self.channels % 2:
            self._put(b"\0")
        try:
            self._file.seek(0)
            self._put(self._start())
            self._file.flush()
        except OSError as error:
            raise destination_error(self.path, error) from error
