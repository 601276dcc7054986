"""How are FLAC, AIFF, CAF, Ogg, Wave64, compressed WAVE and other formats read? Through libsndfile.

Conventions: as `audio_file`. libsndfile decodes; how long the audio really is gets checked when the file is
opened, because a cut file still claims its old length.
"""

import os
import threading
from dataclasses import replace
from typing import Any

import soundfile

from takewell.errors import FileError
from takewell.wave.byte_source import FileSource
from takewell.wave.decode import Samples
from takewell.wave.sample_format import HIGHEST_RATE, LOWEST_RATE, MOST_CHANNELS
from takewell.wave.values import AudioInfo, Encoding

_WORDS: dict[str, tuple[Encoding, int]] = {
    "PCM_S8": ("uint8", 8),
    "PCM_U8": ("uint8", 8),
    "PCM_16": ("int16", 16),
    "PCM_24": ("int24", 24),
    "PCM_32": ("int32", 32),
    "FLOAT": ("float32", 32),
    "DOUBLE": ("float64", 64),
    "ULAW": ("int16", 16),
    "ALAW": ("int16", 16),
    "ALAC_16": ("int16", 16),
    "ALAC_20": ("int24", 20),
    "ALAC_24": ("int24", 24),
    "ALAC_32": ("int32", 32),
    "DWVW_12": ("int16", 12),
    "DWVW_16": ("int16", 16),
    "DWVW_24": ("int24", 24),
    "DPCM_8": ("uint8", 8),
    "DPCM_16": ("int16", 16),
}
_LOSSY: tuple[Encoding, int] = ("float32", 32)
_UNKNOWN_LENGTH = 1 << 62
_SIGNATURES = (
    b"fLaC",
    b"FORM",
    b"OggS",
    b"caff",
    b".snd",
    b"dns.",
    b"RF64",
    b"riff\x2e\x91\xcf\x11\xa5\xd6\x28\xdb",
)
"""First bytes of FLAC, AIFF and AIFF-C, Ogg, CAF, AU in both byte orders, RF64 and Wave64."""


class LibraryReader:
    """A file that libsndfile reads; `wave_info` is what our own code knows of a compressed WAVE file.

    Raises
    ------
    FileError
        If libsndfile does not know the format, or the numbers in its header are out of range.
    """

    def __init__(self, source: FileSource, wave_info: AudioInfo | None = None) -> None:
        self._lock = threading.Lock()
        self._source, self._path = source, source.path
        self._file = _opened(source)
        try:
            self.info = self._judged(wave_info)
        except BaseException:
            self._file.close()
            raise
        self._kind = "float64" if self.info.encoding in ("int32", "float64") else "float32"

    def _judged(self, wave_info: AudioInfo | None) -> AudioInfo:
        file = self._file
        if not 1 <= file.channels <= MOST_CHANNELS:
            raise FileError(f"{self._path} has {file.channels} channels; 1 to {MOST_CHANNELS} are read.")
        if not LOWEST_RATE <= file.samplerate <= HIGHEST_RATE:
            raise FileError(
                f"{self._path} has a sampling rate of {file.samplerate} Hz; 8 to 384 kHz are read."
            )
        encoding, valid_bits = _WORDS.get(file.subtype, _LOSSY)
        length = self._real_length()
        notes = []
        if length < file.frames:
            notes.append(_shortened(file.frames, length, file.samplerate))
        if wave_info is not None:
            return replace(
                wave_info,
                encoding=encoding,
                valid_bits=valid_bits,
                length_samples=length,
                recoveries=(*wave_info.recoveries, *notes),
            )
        return AudioInfo(
            path=self._path,
            container=file.format,
            encoding=encoding,
            rate=file.samplerate,
            channels=file.channels,
            length_samples=length,
            channel_mask=None,
            valid_bits=valid_bits,
            data_offset=0,
            info=_texts(file),
            recoveries=tuple(notes),
        )

    def _real_length(self) -> int:
        """The number of samples that can be read, by halving where the last one cannot."""
        if self._file.frames == 0 or self._readable(self._file.frames - 1):
            return int(self._file.frames)
        low, high = 0, int(self._file.frames)
        while low < high:
            middle = (low + high) // 2
            if self._readable(middle):
                low = middle + 1
            else:
                high = middle
        if low == 0:
            raise FileError(f"{self._path} is damaged: not one sample of its audio can be decoded.")
        return low

    def _readable(self, position: int) -> bool:
        """Whether the sample at `position` decodes; each try on a decoder of its own, which an error spoils."""
        try:
            with _opened(self._source) as file:
                file.seek(position)
                return len(file.read(1, always_2d=True)) == 1
        except (soundfile.SoundFileError, RuntimeError, FileError):
            return False

    def read(self, start_samples: int, count: int) -> Samples:
        """Return `count` samples from `start_samples`, all inside the file."""
        with self._lock:
            try:
                if (
                    start_samples != self._file.tell()
                ):  # a seek may restart a decoder, where it stands already too
                    self._file.seek(start_samples)
                samples: Samples = self._file.read(count, dtype=self._kind, always_2d=True)
            except (soundfile.SoundFileError, RuntimeError) as error:
                raise FileError(
                    f"{self._path} cannot be read at sample {start_samples}: {_reason(error)}."
                ) from error
        if len(samples) < count:
            raise FileError(
                f"{self._path} gave {len(samples)} samples where {count} were expected from sample {start_samples} on; "
                "it is damaged there, or its card or disk was taken out."
            )
        return samples

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _is_known(start: bytes) -> bool:
    """Whether a file begins like one of the formats read here. libsndfile alone would look for MP3 frames in
    anything, and find some in noise."""
    mp3 = start[:3] == b"ID3" or (start[:1] == b"\xff" and len(start) > 2 and _is_layer_3(start))
    return (
        mp3 or start.startswith(_SIGNATURES) or (start[:4] in (b"RIFF", b"RIFX") and start[8:12] == b"WAVE")
    )


def _is_layer_3(start: bytes) -> bool:
    """An MPEG audio frame of layer III with a bit rate and a sampling rate that exist (ISO/IEC 11172-3, 2.4.1.3)."""
    sync, version, layer = start[1] >> 5 == 7, start[1] >> 3 & 3, start[1] >> 1 & 3
    return sync and version != 1 and layer == 1 and start[2] >> 4 not in (0, 15) and start[2] >> 2 & 3 != 3


def _opened(source: FileSource) -> Any:
    start = source.read(0, 64)
    if not _is_known(start):
        raise FileError(f"{source.path} is no sound file that can be read: {_why(start)}.")
    try:
        return soundfile.SoundFile(os.fsencode(source.path))
    except (soundfile.SoundFileError, RuntimeError, TypeError, ValueError) as error:
        raise FileError(f"{source.path} is no sound file that can be read: {_reason(error)}.") from error


def _why(start: bytes) -> str:
    if start and all(32 <= byte < 127 or byte in b"\t\r\n" for byte in start):
        return f"it begins as text ({start[:24].decode('ascii').strip()!r})"
    if not any(start):
        return "it begins with zeros instead of a header"
    return f"its first bytes ({start[:8].hex(' ')}) are those of no format known here"


def _reason(error: Exception) -> str:
    text = str(error).rsplit(": ", 1)[-1].strip().rstrip(".")
    return " ".join(text.split()).lower() or "its header is damaged"


def _shortened(promised: int, length: int, rate: int) -> str:
    really = f"{length} samples ({length / rate:.3f} s) can be read"
    if promised >= _UNKNOWN_LENGTH:
        return f"The header does not say how long the audio is; {really}."
    return f"The file is cut or damaged: its header promises {promised} samples, {really}."


def _texts(file: Any) -> dict[str, str]:
    return {name: text for name, text in file.copy_metadata().items() if text}
