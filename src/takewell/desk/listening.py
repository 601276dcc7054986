"""How is anything of a roll heard without harm, from any point, at once?

Before it is heard, sound is brought to a safe level by one steady gain: its loudest 400 ms (momentary loudness,
EBU Tech 3341) come to `LOUDEST_LUFS`, and what peaks are left are held under `CEILING_DBTP` by the limiter. So a
float passage 60 dB over full scale is heard 60 dB lower, and a click cannot be louder than the ceiling. The two
figures are ours (common practice, no source); what reaches the ear depends on the amplifier, which is not known here.

The sound is a WAVE file (RIFF, 16-bit PCM with TPDF dither, the take's own rate) whose bytes exist only when asked
for. It is rendered in chunks of `CHUNK_S` at fixed places, each from `LEAD_S` before it, so that a byte is the
same whichever request asks for it; the limiter forgets within that lead (its release is 60 ms).

Conventions: positions are samples of the take; samples (n, channels) floats.
"""

import math
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from takewell.errors import FileError
from takewell.measure.loudness import BLOCK_STEPS, lufs, window_powers
from takewell.measure.trace import Trace
from takewell.roll import Move, Take, TrackReader
from takewell.shape import GainBank, GainEnvelope, Limiter
from takewell.units import amplitude
from takewell.wave import open_audio, read_info

F64 = NDArray[np.float64]
Read = Callable[[int, int], F64]
"""Returns the samples from a position on, (n, channels), at most as many as asked for."""

LOUDEST_LUFS = -20.0
CEILING_DBTP = -6.0
MOST_RAISED_DB = 70.0
"""However quiet a recording is, it is raised by no more than this."""

CHUNK_S = 2.0
LEAD_S = 1.0
AFTER_S = 0.25

HEADER_BYTES = 44
SAMPLE_BYTES = 2
MOST_BYTES = (1 << 32) - 64
"""A RIFF file counts its bytes in 32 bits; what lies beyond is not offered."""


@dataclass(frozen=True)
class Listening:
    """Something to be heard, and what was done to make it safe."""

    rate: int
    channels: int
    length_samples: int
    gain_db: float
    """The one gain that brings it to a safe level."""
    open_reader: Callable[[], "Reader"]

    @property
    def size_bytes(self) -> int:
        """Length of the whole file."""
        return HEADER_BYTES + self._frame * self.length_samples

    @property
    def _frame(self) -> int:
        return SAMPLE_BYTES * self.channels

    def read(self, start: int, stop: int) -> Iterator[bytes]:
        """Yield the file's bytes from `start` up to `stop`, rendering what they hold.

        Raises
        ------
        FileError
            If a file cannot be read.
        """
        if start < HEADER_BYTES:
            yield self._header()[start:stop]
        first = max(start - HEADER_BYTES, 0)
        last = min(stop, self.size_bytes) - HEADER_BYTES
        size = round(CHUNK_S * self.rate) * self._frame
        if last <= first:
            return
        with self.open_reader() as reader:
            for chunk in range(first // size, -(-last // size)):
                data = self._chunk(reader.read, chunk)
                yield data[max(first - chunk * size, 0) : last - chunk * size]

    def _chunk(self, read: Read, number: int) -> bytes:
        count = round(CHUNK_S * self.rate)
        start = number * count
        count = min(count, self.length_samples - start)
        lead = min(round(LEAD_S * self.rate), start)
        samples = read(start - lead, lead + count + round(AFTER_S * self.rate))
        loud = np.nan_to_num(samples, nan=0.0, posinf=0.0, neginf=0.0) * float(amplitude(self.gain_db))
        limiter = Limiter(self.rate, self.channels, CEILING_DBTP, linked=True)
        held = np.concatenate([limiter.add(loud), limiter.finish()])[lead : lead + count]
        held = np.concatenate([held, np.zeros((count - len(held), self.channels))])
        dice = np.random.default_rng(number)
        dither = dice.random(held.shape) - dice.random(held.shape)
        return np.clip(np.rint(held * 32767 + dither), -32768, 32767).astype("<i2").tobytes()

    def _header(self) -> bytes:
        data = self._frame * self.length_samples
        return b"".join((
            b"RIFF", struct.pack("<I", data + HEADER_BYTES - 8), b"WAVEfmt ",
            struct.pack("<IHHIIHH", 16, 1, self.channels, self.rate, self.rate * self._frame, self._frame, 16),
            b"data", struct.pack("<I", data),
        ))  # fmt: skip


@dataclass
class Reader:
    """An open source of samples; use it in a ``with`` statement."""

    read: Read
    close: Callable[[], None]

    def __enter__(self) -> "Reader":
        return self

    def __exit__(self, *_error: object) -> None:
        self.close()


def listen_to_track(
    folder: Path, take: Take, track: int, trace: Trace, moves: Sequence[Move] = ()
) -> Listening:
    """Return a track to be heard, as recorded or after moves.

    Parameters
    ----------
    folder : Path
        The roll's folder.
    take : Take
    track : int
        Its number.
    trace : Trace
        The track's trace, from which the safe level is known before a sample is read.
    moves : sequence of Move
        Of this track; none to hear it as recorded.

    Raises
    ------
    SettingError
        If the moves overlap.
    """
    envelope = GainEnvelope.from_moves(moves, take.rate, take.length_samples) if moves else None
    bank = GainBank([envelope])

    def opened() -> Reader:
        source = TrackReader(folder, take)

        def read(start: int, count: int) -> F64:
            return bank.apply(source.read([track], start, count), start)

        return Reader(read, source.close)

    return Listening(
        rate=take.rate,
        channels=1,
        length_samples=_offered(take.length_samples, 1),
        gain_db=_safe_gain_db(_loudest(trace, envelope)),
        open_reader=opened,
    )


def listen_to_file(path: Path) -> Listening:
    """Return a mix to be heard; its bext chunk says how loud its loudest moment is.

    Raises
    ------
    FileError
        If it cannot be read, or does not say how loud it is.
    """
    info = read_info(path)
    loudest = None if info.bext is None else info.bext.max_momentary_lufs
    if loudest is None:
        raise FileError(f"{path} does not say how loud its loudest moment is; mix the take again.")

    def opened() -> Reader:
        source = open_audio(path)
        return Reader(lambda start, count: source.read(start, count).astype(np.float64), source.close)

    return Listening(
        rate=info.rate,
        channels=info.channels,
        length_samples=_offered(info.length_samples, info.channels),
        gain_db=_safe_gain_db(loudest),
        open_reader=opened,
    )


def _offered(length_samples: int, channels: int) -> int:
    return min(length_samples, MOST_BYTES // (SAMPLE_BYTES * channels))


def _loudest(trace: Trace, envelope: GainEnvelope | None) -> float | None:
    """Return the highest momentary loudness of a track after its gains, in LUFS; None for silence."""
    lengths = np.diff(trace.edges)
    power = trace.k_rms.astype(np.float64) ** 2
    if envelope is not None and len(power):
        power *= envelope.factors_at((trace.edges[:-1] + trace.edges[1:]) // 2) ** 2
    windows = window_powers(power * lengths, lengths, min(BLOCK_STEPS, max(len(power), 1)))
    return lufs(float(windows.max())) if len(windows) else None


def _safe_gain_db(loudest_lufs: float | None) -> float:
    if loudest_lufs is None or not math.isfinite(loudest_lufs):
        return 0.0
    return min(LOUDEST_LUFS - loudest_lufs, MOST_RAISED_DB)
