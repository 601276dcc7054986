"""Carries out one line of a package's plan: a file is copied, given corrected metadata, or converted.

Originals are only read. A copy is compared with its source by hash; a converted file is read back and must have
the length it should.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from takewell.errors import DestinationError
from takewell.files import atomic_path, make_folder
from takewell.handover.plan import CONFORMED_RATE, Delivery
from takewell.handover.specs import Check
from takewell.manifest import hash_file
from takewell.wave import (
    AudioFile,
    AudioInfo,
    Bext,
    BroadcastWriter,
    append_history,
    copy_with_metadata,
    history_row,
    open_audio,
    read_info,
)
from takewell.wave.writer import WrittenEncoding

_COPY_BYTES = 1 << 22
_BLOCK = 1 << 16

_WRITTEN: dict[str, WrittenEncoding] = {
    "uint8": "int16",
    "int16": "int16",
    "int24": "int24",
    "int32": "float64",
    "float32": "float32",
    "float64": "float64",
}
"""The encoding that holds each source's samples exactly."""


@dataclass(frozen=True)
class Delivered:
    """One file as it lies in the package."""

    target: str
    take: str
    why: str
    size_bytes: int
    clipped_samples: int = 0


def deliver(delivery: Delivery, package: Path) -> Delivered:
    """Write one file of the package and make sure of it.

    Raises
    ------
    FileError
        If the source cannot be read.
    DestinationError
        If the package cannot be written, or a copy does not come out as its source.
    """
    target = package / delivery.target
    make_folder(target.parent)
    clipped = 0
    if delivery.action == "copy":
        _copy(delivery.source, target)
    elif delivery.action == "rewrite":
        copy_with_metadata(delivery.source, target, ixml=delivery.ixml)
    else:
        clipped = _convert(delivery, target)
    return Delivered(delivery.target, delivery.take, delivery.why, target.stat().st_size, clipped)


def _copy(source: Path, target: Path) -> None:
    with source.open("rb") as reading, atomic_path(target) as temporary, temporary.open("wb") as writing:
        while block := reading.read(_COPY_BYTES):
            writing.write(block)
    if hash_file(source) != hash_file(target):
        raise DestinationError(
            f"{target} does not read back as {source}; the disk is not to be trusted, choose another."
        )


def _converted_bext(
    delivery: Delivery, info: AudioInfo, encoding: WrittenEncoding, rate: int, channels: int
) -> Bext:
    bext = info.bext or Bext()
    start = (bext.time_reference + delivery.start_samples) * rate
    row = history_row(encoding, rate, channels, f"Takewell; {delivery.why}")
    fresh = replace(
        bext,
        time_reference=(start + info.rate // 2) // info.rate,
        version=2,
        loudness_value_lufs=None,
        loudness_range_lu=None,
        max_true_peak_dbtp=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
    )
    return append_history(fresh, row)


def _convert(delivery: Delivery, target: Path) -> int:
    with open_audio(delivery.source) as audio:
        info = audio.info
        picked = [channel - 1 for channel in delivery.channels] or list(range(info.channels))
        rate = CONFORMED_RATE if delivery.conform else info.rate
        encoding = "int24" if delivery.conform else _WRITTEN[info.encoding]
        exact = rate == info.rate and (not delivery.conform or info.encoding in ("uint8", "int16", "int24"))
        length = (
            info.length_samples - delivery.start_samples
            if delivery.length_samples is None
            else delivery.length_samples
        )
        writer = BroadcastWriter(
            target,
            rate=rate,
            channels=len(picked),
            encoding=encoding,
            bext=_converted_bext(delivery, info, encoding, rate, len(picked)),
            ixml=delivery.ixml,
            dither=not exact,
        )
        with writer:
            _pour(audio, writer, picked, delivery.start_samples, length, rate)
        clipped = int(writer.clipped_samples.sum())
    due = (length * rate + info.rate // 2) // info.rate
    if abs(read_info(target).length_samples - due) > (0 if rate == info.rate else 1):
        raise DestinationError(
            f"{target} is not as long as it should be; the disk is not to be trusted, choose another."
        )
    return clipped


def _pour(
    audio: AudioFile, writer: BroadcastWriter, picked: list[int], start: int, length: int, rate: int
) -> None:
    blocks = audio.blocks(_BLOCK, start, start + length)
    if rate == audio.info.rate:
        for block in blocks:
            writer.write(block[:, picked])
        return
    from soxr import ResampleStream

    stream = ResampleStream(audio.info.rate, rate, len(picked), dtype="float64", quality="VHQ")
    done = 0
    for block in blocks:
        done += len(block)
        writer.write(
            stream.resample_chunk(
                np.ascontiguousarray(block[:, picked], dtype=np.float64), last=done == length
            )
        )


def clipping_check(delivered: Delivered) -> Check | None:
    """Return the failed check of a file that could not hold its source's samples, None where nothing clipped."""
    if not delivered.clipped_samples:
        return None
    return Check(
        delivered.target,
        "no sample beyond full scale at this word length",
        f"{delivered.clipped_samples} samples held at the rails; deliver float, or level first",
        False,
    )
