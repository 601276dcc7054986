"""How does a recording become a file that begins and ends with its clip?

One poly file a clip and recording, all the take's tracks as channels, in the take's order. It begins with the clip's first
picture and is as long as the clip: what the recording does not have is silence. Its TimeReference is the clip's timecode, so
both land on the same place of a timeline by themselves; a clip without timecode begins at midnight, which is said. With drift
corrected the recording runs at the clip's clock throughout; without, it runs as it was recorded from where it lies at the
clip's beginning. The originals are only read.

Conventions: the file's first sample is the recording's nearest to the clip's beginning: half a sample off at most. Resampling is
soxr's very high quality; samples that are not resampled pass bit by bit.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from takewell import __version__, files
from takewell.errors import DestinationError
from takewell.roll import Take, TrackReader
from takewell.shape import Resampler
from takewell.sync.placed import Stretch, clip_length_s, clip_start_s, stretches
from takewell.sync.values import Pairing
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, append_history, history_row, read_info
from takewell.wave.writer import WrittenEncoding

Progress = Callable[[int], None]
F64 = NDArray[np.float64]

_BLOCK_VALUES = 1 << 19
"""Samples of all channels read at a time: 4 MB of floats."""

_LEAST_CORRECTED_PPM = 1e-3
"""Less drift makes a sample in two hours at 96 kHz: nothing to resample for."""

_LEAD = 4096
"""Samples read before and after what is resampled; the filter is shorter."""

_ORDER: tuple[WrittenEncoding, ...] = ("int16", "int24", "float32", "int32", "float64")


@dataclass(frozen=True)
class SyncedFile:
    """A file written for a pair."""

    path: Path
    pairing: Pairing
    rate: int
    channels: int
    length_samples: int
    time_reference: int
    corrected: bool
    """Whether it was resampled by the drift."""
    clipped_samples: int
    notes: tuple[str, ...] = ()


def write_synced(
    pairing: Pairing,
    folder: Path,
    *,
    correct_drift: bool = False,
    name: str | None = None,
    progress: Progress | None = None,
) -> SyncedFile:
    """Write the recording of a pair as a file that begins and ends with its clip.

    Parameters
    ----------
    pairing : Pairing
        With a recording that overlaps its clip.
    folder : Path
        Where the file goes; made where it is missing.
    correct_drift : bool
        Whether to resample by the drift found.
    name : str, optional
        Of the file, without suffix; the clip's and the take's names by default.
    progress : callable, optional
        Called with the samples (a channel) done since the last call.

    Raises
    ------
    FileError
        If the recording cannot be read.
    DestinationError
        If the file cannot be written, or would lie among the originals.
    """
    recording = pairing.recording
    places = stretches(pairing)
    if recording is None or not places:
        raise DestinationError(f"{pairing.clip.name} has no recording beside it; there is nothing to write.")
    take = recording.take
    media = {(recording.folder / file.path).resolve().parent for file in take.files}
    if folder.resolve() in media:
        raise DestinationError(
            f"{folder} holds the original recordings; choose another folder for synced files."
        )
    path = files.make_folder(folder) / f"{name or f'{pairing.clip.path.stem}_{take.id}'}.wav"
    length = round(clip_length_s(pairing.clip) * take.rate)
    encoding = _encoding(take)
    drifts = abs(pairing.drift_ppm or 0.0) > _LEAST_CORRECTED_PPM
    corrected = correct_drift and drifts
    reference, notes = _time_reference(pairing, take)
    clipped = 0
    writer = BroadcastWriter(
        path,
        rate=take.rate,
        channels=len(take.tracks),
        encoding=encoding,
        bext=_bext(pairing, take, reference, encoding, corrected=corrected),
        ixml=_ixml(pairing, take, reference),
        dither=corrected,
    )
    with writer, TrackReader(recording.folder, take) as reader:
        block = max(_BLOCK_VALUES // len(take.tracks), 1024)
        numbers = [track.number for track in take.tracks]
        written = 0
        for samples in _laid_out(reader, numbers, places, length, block, corrected=corrected):
            writer.write(samples)
            written += len(samples)
            if progress is not None:
                progress(len(samples))
        assert written == length
        clipped = int(writer.clipped_samples.sum())
    return SyncedFile(
        path, pairing, take.rate, len(take.tracks), length, reference, corrected, clipped, notes
    )


def _laid_out(
    reader: TrackReader,
    numbers: list[int],
    places: tuple[Stretch, ...],
    length: int,
    block: int,
    *,
    corrected: bool,
) -> Iterator[NDArray[np.floating]]:
    """Yield the clip's samples from the first to the last, silence where no stretch lies."""
    take, channels = reader.take, len(numbers)
    done = 0
    for place in places:
        start = min(max(round(place.clip_start_s * take.rate), done), length)
        stop = min(round(place.clip_end_s * take.rate), length)
        yield from _silence(start - done, channels, block)
        done = start
        if stop <= start:
            continue
        first = max(place.recording_s(start / take.rate) * take.rate, 0.0)
        speed = place.speed if corrected else 1.0
        for samples in _stretch(reader, numbers, first, stop - start, speed, block):
            yield samples
            done += len(samples)
    yield from _silence(length - done, channels, block)


def _stretch(
    reader: TrackReader, numbers: list[int], first: float, count: int, speed: float, block: int
) -> Iterator[NDArray[np.floating]]:
    """Yield `count` samples that begin at place `first` of the take, run at `speed`."""
    whole = reader.take.length_samples
    if speed == 1.0:
        start = round(first)
        for samples in reader.blocks(numbers, block, start, min(start + count, whole)):
            yield samples
            count -= len(samples)
    else:
        # A little more on either side, so that the filter has what it looks back and ahead for.
        start = max(int(first) - _LEAD, 0)
        stop = min(start + round(count * speed) + 2 * _LEAD, whole)
        resampler = Resampler(1 / speed, len(numbers))
        skip = round((first - start) / speed)
        outs = (resampler.add(samples) for samples in reader.blocks(numbers, block, start, stop))
        for samples in _ended(outs, resampler):
            kept = samples[skip : skip + count]
            skip = max(skip - len(samples), 0)
            count -= len(kept)
            if len(kept):
                yield kept
    yield from _silence(count, len(numbers), block)


def _ended(outs: Iterator[F64], resampler: Resampler) -> Iterator[F64]:
    yield from outs
    yield resampler.finish()


def _silence(count: int, channels: int, block: int) -> Iterator[NDArray[np.floating]]:
    while count > 0:
        piece = min(count, block)
        yield np.zeros((piece, channels), np.float32)
        count -= piece


def _encoding(take: Take) -> WrittenEncoding:
    """Return the encoding that holds all tracks as they are."""
    encodings: list[WrittenEncoding] = [
        "int16" if track.encoding == "uint8" else track.encoding  # type: ignore[misc]
        for track in take.tracks
    ]
    return max(encodings, key=_ORDER.index)


def _time_reference(pairing: Pairing, take: Take) -> tuple[int, tuple[str, ...]]:
    start_s = clip_start_s(pairing.clip)
    if start_s is None:
        return 0, (f"{pairing.clip.name} has no timecode; its synced file is stamped 00:00:00:00.",)
    return round(start_s * take.rate), ()


def _bext(
    pairing: Pairing, take: Take, reference: int, encoding: WrittenEncoding, *, corrected: bool
) -> Bext:
    assert pairing.recording is not None
    source = read_info(pairing.recording.folder / take.files[0].path).bext or Bext()
    done = f"laid beside {pairing.clip.name}"
    if corrected:
        done += f"; resampled by {-(pairing.drift_ppm or 0.0):+.3f} ppm"
    row = history_row(encoding, take.rate, len(take.tracks), f"Takewell {__version__}; {done}")
    fresh = replace(
        source,
        time_reference=reference,
        version=2,
        umid=bytes(64),  # another length: no longer that material
        loudness_value_lufs=None,
        loudness_range_lu=None,
        max_true_peak_dbtp=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
    )
    return append_history(fresh, row)


def _ixml(pairing: Pairing, take: Take, reference: int) -> Ixml:
    rate = pairing.clip.timecode_rate or take.timecode_rate
    return Ixml(
        project=take.project,
        scene=take.scene,
        take=take.take,
        tape=take.tape,
        note=take.note,
        circled=take.circled or None,
        timecode_rate="" if rate is None else rate.fraction,
        timecode_flag="" if rate is None else rate.flag,
        file_sample_rate=take.rate,
        timestamp_sample_rate=take.rate,
        timestamp_samples=reference,
        original_filename=Path(take.files[0].path).name,
        tracks=tuple(
            IxmlTrack(place, place, track.name, track.function)
            for place, track in enumerate(take.tracks, start=1)
        ),
    )
