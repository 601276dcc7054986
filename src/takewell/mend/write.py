"""How is a mended track written: block by block, whole or not at all, the originals only read?

One mono Broadcast Wave file for each mended track, from the take's first sample to its last, RF64 where it is large.
Outside the joins its samples are the original's to the bit. It keeps the take's time stamp and names, and says in its
coding history and in iXML's note what was joined from where.
"""

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
from numpy.typing import NDArray

from takewell import __version__, files
from takewell.mend.join import weight
from takewell.mend.laid import Laid
from takewell.mend.mended_file import FOLDER, mended_file, write_sidecar
from takewell.mend.sound import Sound, clock_of
from takewell.mend.values import Join, MendedFile, MendedTrack
from takewell.roll import Roll, Take, TrackReader, derived_folder
from takewell.wave import (
    AudioInfo,
    Bext,
    BroadcastWriter,
    Ixml,
    IxmlTrack,
    append_history,
    history_row,
    read_info,
)
from takewell.wave.writer import WrittenEncoding

F64 = NDArray[np.float64]
Progress = Callable[[int, int], None]
"""Called with the samples written and their number."""

BLOCK_SAMPLES = 65_536
_UNSAFE = '<>:"/\\|?*'


def write_mended(
    roll: Roll, tracks: Sequence[MendedTrack], out: Path | None = None, progress: Progress | None = None
) -> tuple[MendedFile, ...]:
    """Write mended tracks as new files.

    Parameters
    ----------
    roll : Roll
    tracks : sequence of MendedTrack
        As `plan_mends` gives them.
    out : Path, optional
        A folder outside the media; ``takewell/mended`` in the roll unless given.
    progress : callable, optional

    Raises
    ------
    DestinationError
        If the folder lies among the media or cannot be written.
    FileError
        If a file cannot be read.
    """
    folder = derived_folder(roll, out, FOLDER)
    whole = sum(track.length_samples for track in tracks)
    done = 0
    written = []
    for mended in tracks:
        files.make_folder(folder)
        target = folder / file_name(mended)
        done = _write(roll, mended, target, done, whole, progress)
        write_sidecar(roll, mended, target)
        written.append(mended_file(mended, target))
    return tuple(written)


def file_name(mended: MendedTrack) -> str:
    """Return the name of a mended track's file: take, number and name, made safe for every common file system."""
    text = f"{mended.take}_{mended.track.number:02d}_{mended.track.name or 'track'}_mended"
    safe = "".join("-" if c in _UNSAFE or ord(c) < 32 else c for c in text).strip(" .")
    return f"{safe}.wav"


def _write(
    roll: Roll, mended: MendedTrack, target: Path, done: int, whole: int, progress: Progress | None
) -> int:
    take, other = roll.take(mended.take), roll.take(mended.twin_take)
    info = read_info(roll.folder / mended.track.file)
    encoding = cast("WrittenEncoding", mended.encoding)
    with ExitStack() as stack:
        reader = stack.enter_context(TrackReader(roll.folder, take))
        twin_reader = reader if other is take else stack.enter_context(TrackReader(roll.folder, other))
        sound, twin = Sound(reader, mended.track), Sound(twin_reader, mended.twin)
        writer = stack.enter_context(
            BroadcastWriter(
                target,
                rate=mended.rate,
                channels=1,
                encoding=encoding,
                bext=_bext(info, take, mended, encoding),
                ixml=_ixml(info, take, mended),
                dither=False,
            )
        )
        for start in range(0, mended.length_samples, BLOCK_SAMPLES):
            count = min(BLOCK_SAMPLES, mended.length_samples - start)
            writer.write(joined(mended, sound, twin, start, count)[:, None])
            done += count
            if progress is not None:
                progress(done, whole)
    return done


def joined(mended: MendedTrack, sound: Sound, twin: Sound, start: int, count: int) -> F64:
    """Return (count,) samples of the mended track from `start` on."""
    out = sound.raw(start, count)
    clock = clock_of(mended.pair, mended.twin_is_copy, sound.rate, twin.rate)
    for each in mended.joins:
        first, last = max(each.start_samples, start), min(each.end_samples, start + count)
        if first < last:
            here = slice(first - start, last - start)
            out[here] = _bridged(each, out[here], Laid(twin, clock, each.delays, each.gains_db), first)
    return out


def _bridged(each: Join, own: F64, laid: Laid, first: int) -> F64:
    share = weight(each, first, len(own))
    kept = np.where(share < 1, own, 0.0)  # what is no number may stand where nothing of it is kept
    return np.asarray((1 - share) * kept + share * laid.read(first, len(own)))


def _bext(info: AudioInfo, take: Take, mended: MendedTrack, encoding: WrittenEncoding) -> Bext:
    stamp = next((file.time_reference for file in take.files if file.time_reference is not None), 0)
    bext = replace(
        info.bext or Bext(),
        time_reference=stamp,
        version=2,
        umid=bytes(64),
        loudness_value_lufs=None,
        loudness_range_lu=None,
        max_true_peak_dbtp=None,
        max_momentary_lufs=None,
        max_short_term_lufs=None,
    )
    return append_history(bext, history_row(encoding, mended.rate, 1, _history(mended)))


def _ixml(info: AudioInfo, take: Take, mended: MendedTrack) -> Ixml:
    own = info.ixml or Ixml(project=take.project, scene=take.scene, take=take.take, tape=take.tape)
    note = _history(mended)
    return replace(
        own,
        note=f"{own.note}; {note}" if own.note else note,
        file_uid="",
        tracks=(IxmlTrack(mended.track.number, 1, mended.track.name, mended.track.function),),
        original_filename=own.original_filename or Path(mended.track.file).name,
        parent_filename=Path(mended.track.file).name,
    )


def _history(mended: MendedTrack) -> str:
    places = "; ".join(
        f"{j.start_samples / mended.rate:.3f}-{j.end_samples / mended.rate:.3f} s" for j in mended.joins[:20]
    )
    more = f"; and {len(mended.joins) - 20} more" if len(mended.joins) > 20 else ""
    return (
        f"Takewell {__version__} mended track {mended.track.number} ({mended.track.name}): "
        f"{mended.sentence}: {places}{more}"
    )
