"""How does a recording pass through its gains and the limiter into new files, and back?

Conventions: a series is the files of one recording in order, each continuing the one before, all with the same
channels; envelopes count from the first sample of the track. Blocks flow through gain and
limiter without a seam between files, so memory does not grow with length. Each new file appears under its name
only when it is whole; nothing but the new files is written.
"""

import contextlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from takewell.errors import SettingError
from takewell.shape import Action, GainBank, GainEnvelope, Limiter
from takewell.wave import AudioInfo, Bext, BroadcastWriter, Ixml, open_audio

RenderedEncoding = Literal["int16", "int24", "float32"]
Progress = Callable[[int], None]
F64 = NDArray[np.float64]

BLOCK_SAMPLES = 16_384

WORD_BITS = {"uint8": 8, "int16": 16, "int24": 24, "int32": 32}


@dataclass(frozen=True)
class RenderedFile:
    """One file of a series: where it is read, where its copy goes, and what the copy says of itself."""

    source: Path
    target: Path
    bext: Bext
    ixml: Ixml | None = None
    start_samples: int = 0
    """Where its first sample stands on the envelopes' clock."""


@dataclass(frozen=True)
class Rendering:
    """What was done besides multiplying by the gains."""

    lengths_samples: tuple[int, ...]
    """Of each file of the series."""
    actions: tuple[Action, ...]
    """Positions count the samples of the series as they follow each other in its files."""
    clipped_samples: int
    """Samples held at the rails of an integer encoding: floats above full scale on channels without gain."""


def render_series(
    files: Sequence[RenderedFile],
    envelopes: Sequence[GainEnvelope | None],
    *,
    encoding: RenderedEncoding,
    ceiling_dbtp: float,
    seed: int = 0,
    noise_shaping: bool = False,
    progress: Progress | None = None,
) -> Rendering:
    """Write copies of a series with gains applied and true peaks held under a ceiling.

    Parameters
    ----------
    files : sequence of RenderedFile
    envelopes : sequence of GainEnvelope or None
        One a channel. A channel with None passes as it is: no gain, no limiter.
    encoding : {"int16", "int24", "float32"}
        Integers are dithered with TPDF noise, but for channels that pass and fit as they are; float32 is the product
        rounded once.
    ceiling_dbtp : float
    seed : int
        Of the dither; file k of the series uses ``seed + k``.
    noise_shaping : bool
        Whether the noise of integers is shaped, see `takewell.wave.BroadcastWriter`.
    progress : callable, optional
        Called with the samples (a channel) done since the last call.

    Raises
    ------
    SettingError
        If the files differ in rate or channels, there are none, or the envelopes do not match the channels.
    FileError
        If a file cannot be read.
    DestinationError
        If a copy cannot be written.
    """
    with contextlib.ExitStack() as stack:
        sources = [stack.enter_context(open_audio(file.source)) for file in files]
        infos = [source.info for source in sources]
        rate, channels = _common(infos, len(envelopes))
        bank = GainBank(envelopes)
        limiter = Limiter(rate, channels, ceiling_dbtp, active=[e is not None for e in envelopes])

        def shaped() -> Iterator[F64]:
            for file, source in zip(files, sources, strict=True):
                position = file.start_samples
                for block in source.blocks(BLOCK_SAMPLES):
                    yield limiter.add(bank.apply(block, position))
                    position += len(block)
                    if progress is not None:
                        progress(len(block))
            yield limiter.finish()

        passes = [e is None for e in envelopes]
        clipped = _write(files, infos, shaped(), encoding, seed, passes, noise_shaping=noise_shaping)
    return Rendering(tuple(info.length_samples for info in infos), limiter.actions, clipped)


def undo_series(
    files: Sequence[RenderedFile],
    envelopes: Sequence[GainEnvelope | None],
    *,
    progress: Progress | None = None,
) -> None:
    """Write float32 files with the gains of `render_series` taken out again.

    Where nothing but gain was applied each sample is the original float32 or its neighbour (see
    `GainBank.undo`). What a limiter took off stays off.

    Raises
    ------
    SettingError, FileError, DestinationError
        As `render_series`.
    """
    with contextlib.ExitStack() as stack:
        sources = [stack.enter_context(open_audio(file.source)) for file in files]
        infos = [source.info for source in sources]
        _common(infos, len(envelopes))
        bank = GainBank(envelopes)

        def unshaped() -> Iterator[F64]:
            for file, source in zip(files, sources, strict=True):
                position = file.start_samples
                for block in source.blocks(BLOCK_SAMPLES):
                    yield bank.undo(block, position)
                    position += len(block)
                    if progress is not None:
                        progress(len(block))

        _write(files, infos, unshaped(), "float32", 0, [True] * len(envelopes))


def _common(infos: Sequence[AudioInfo], envelopes: int) -> tuple[int, int]:
    if not infos:
        raise SettingError("a series of no files was to be rendered; name at least one.")
    first = infos[0]
    for info in infos[1:]:
        if (info.rate, info.channels) != (first.rate, first.channels):
            raise SettingError(
                f"{info.path} has {info.channels} channels at {info.rate} Hz where {first.path} before it has "
                f"{first.channels} at {first.rate} Hz; files of one series are alike."
            )
    if envelopes != first.channels:
        raise SettingError(f"{first.path} has {first.channels} channels, gains were given for {envelopes}.")
    return first.rate, first.channels


def _write(
    files: Sequence[RenderedFile],
    infos: Sequence[AudioInfo],
    blocks: Iterator[F64],
    encoding: RenderedEncoding,
    seed: int,
    passes: Sequence[bool],
    *,
    noise_shaping: bool = False,
) -> int:
    """Cut the stream of blocks into the files it belongs to; return the samples held at integer rails."""
    held = np.zeros((0, infos[0].channels))
    clipped = 0
    for index, (file, info) in enumerate(zip(files, infos, strict=True)):
        left = info.length_samples
        with BroadcastWriter(
            file.target,
            rate=info.rate,
            channels=info.channels,
            encoding=encoding,
            bext=file.bext,
            ixml=file.ixml,
            channel_mask=info.channel_mask,
            dither=[not (same and _fits(info.encoding, encoding)) for same in passes],
            seed=seed + index,
            noise_shaping=noise_shaping,
        ) as writer:
            while left:
                if not len(held):
                    held = next(blocks)
                writer.write(held[:left])
                used = min(left, len(held))
                held, left = held[used:], left - used
        clipped += int(writer.clipped_samples.sum())
    return clipped


def _fits(source: str, target: RenderedEncoding) -> bool:
    """Return whether every value of an encoding is one of another, so that nothing has to be rounded."""
    return target in WORD_BITS and WORD_BITS.get(source, 99) <= WORD_BITS[target]
