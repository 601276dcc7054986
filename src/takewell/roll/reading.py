"""How is a take read and measured as one recording, whatever files it lies in?

Conventions: positions are samples of the take; samples are (n, tracks) floats, 1.0 = full scale, float32 unless
one of the files holds int32 or float64. Where no file holds a part of a track (a gap between continuation files,
a copy that began later), there is digital silence, and `silent_spans` says where.
"""

import os
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from takewell.engine.results import FileMeasurement, TrackMeasurement
from takewell.errors import SettingError
from takewell.measure.trace import Trace, join
from takewell.roll.logbook import Logbook
from takewell.roll.stored import silent_trace
from takewell.roll.values import Piece, Roll, Take, Track
from takewell.wave import AudioFile, open_audio

BLOCK_SAMPLES = 65_536
MOST_OPEN_FILES = 64
"""Files kept open at once; a take of mono files has one for each track."""

_DOUBLE = {"int32", "float64"}

Progress = Callable[[int, int], None]
"""Called with the bytes of media measured so far and the bytes to measure."""


class TrackReader:
    """Reads samples of a take's tracks through its continuation files; use it in a ``with`` statement.

    Parameters
    ----------
    folder : path
        The roll's folder.
    take : Take
        The take to read.
    """

    def __init__(self, folder: str | os.PathLike[str], take: Take) -> None:
        self.take = take
        self._folder = Path(folder)
        self._tracks = {track.number: track for track in take.tracks}
        self._open: OrderedDict[str, AudioFile] = OrderedDict()

    def read(self, track_numbers: Sequence[int], start_samples: int, count: int) -> NDArray[np.floating]:
        """Return samples `start_samples` to ``start_samples + count`` of some tracks, or to the take's end.

        Parameters
        ----------
        track_numbers : sequence of int
            Numbers of the take's tracks, in the order wanted.
        start_samples, count : int
            Where to begin and how many samples to read.

        Returns
        -------
        (n, len(track_numbers)) float array
            The caller's own; `n` is below `count` only at the end of the take.

        Raises
        ------
        SettingError
            If the take has no such track, or `start_samples` or `count` is negative.
        FileError
            If a file cannot be read.
        """
        tracks = [self._track(number) for number in track_numbers]
        if start_samples < 0 or count < 0:
            raise SettingError(
                f"Samples {start_samples} to {start_samples + count} of take {self.take.id} were asked for; 0 is the first."
            )
        stop = min(start_samples + count, self.take.length_samples)
        double = any(track.encoding in _DOUBLE for track in tracks)
        samples = np.zeros((max(stop - start_samples, 0), len(tracks)), np.float64 if double else np.float32)
        wanted: dict[tuple[str, int], list[tuple[int, Piece]]] = {}
        for column, track in enumerate(tracks):
            for piece in track.pieces:
                if piece.start_samples < stop and piece.start_samples + piece.length_samples > start_samples:
                    wanted.setdefault((piece.file, piece.start_samples), []).append((column, piece))
        for (file, piece_start), columns in wanted.items():
            first = max(start_samples, piece_start)
            last = min(stop, piece_start + columns[0][1].length_samples)
            block = self._file(file).read(first - piece_start, last - first)
            at = first - start_samples
            channels = [piece.channel - 1 for _, piece in columns]
            if (
                block.shape == samples.shape
                and block.dtype == samples.dtype
                and channels == list(range(len(tracks)))
            ):
                return block  # every channel of one file in order, the usual case: there is nothing to sort
            for column, piece in columns:
                samples[at : at + len(block), column] = block[:, piece.channel - 1]
        return samples

    def blocks(
        self,
        track_numbers: Sequence[int],
        block_samples: int = BLOCK_SAMPLES,
        start: int = 0,
        stop: int | None = None,
    ) -> Iterator[NDArray[np.floating]]:
        """Yield the samples of some tracks from `start` to `stop` (the end) in blocks; the last may be shorter.

        Raises
        ------
        SettingError, FileError
            As `read`; also if `block_samples` is below 1.
        """
        if block_samples < 1:
            raise SettingError(f"A block of {block_samples} samples was asked for; 1 is the least.")
        end = self.take.length_samples if stop is None else min(stop, self.take.length_samples)
        for position in range(start, end, block_samples):
            yield self.read(track_numbers, position, min(block_samples, end - position))

    def close(self) -> None:
        """Close all files."""
        while self._open:
            self._open.popitem()[1].close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _track(self, number: int) -> Track:
        if number not in self._tracks:
            raise SettingError(
                f"Take {self.take.id} has no track {number}; its tracks are 1 to {len(self._tracks)}."
            )
        return self._tracks[number]

    def _file(self, path: str) -> AudioFile:
        if path not in self._open:
            self._open[path] = open_audio(self._folder / path)
            if len(self._open) > MOST_OPEN_FILES:
                self._open.popitem(last=False)[1].close()
        self._open.move_to_end(path)
        return self._open[path]


@dataclass(frozen=True)
class MeasuredTake:
    """A take with what one pass over its files gave."""

    take: Take
    traces: tuple[Trace, ...]
    """One trace per track in the order of their numbers, from the take's first sample to the track's last."""
    files: Mapping[str, FileMeasurement]
    """The measurement of each file, by the file's path; its traces stand in `traces`, joined."""

    def trace(self, number: int) -> Trace:
        """Return the trace of the track of that number."""
        return self.traces[number - 1]

    def measured(self, number: int) -> tuple[tuple[Piece, TrackMeasurement], ...]:
        """Return each piece of a track with its measurement, whose times count from the piece's start."""
        track = self.take.tracks[number - 1]
        return tuple((piece, self.files[piece.file].tracks[piece.channel - 1]) for piece in track.pieces)


def measured_take(
    roll: Roll,
    take: Take,
    *,
    progress: Progress | None = None,
    workers: int | None = None,
    logbook: Logbook | None = None,
) -> MeasuredTake:
    """Return a take with its measurements and traces, measuring first what the logbook does not have.

    Parameters
    ----------
    roll, take : Roll, Take
        The take and the roll it belongs to.
    progress : callable, optional
        Told how many bytes of the files that must be measured are done.
    workers : int, optional
        Processors to use; all of them unless given.
    logbook : Logbook, optional
        The roll's open logbook; it is opened when not given, unless the roll keeps none.

    Raises
    ------
    FileError
        If a file cannot be read.
    """
    if logbook is None and roll.keeps:
        with Logbook(roll.folder) as opened:
            return measured_take(roll, take, progress=progress, workers=workers, logbook=opened)
    found: dict[str, FileMeasurement] = {}
    for file in take.files:
        kept = logbook.measurement(file.path) if logbook is not None else None
        if kept is not None:
            found[file.path] = kept
    missing = [file for file in take.files if file.path not in found]
    whole, done = sum(file.size_bytes for file in missing), 0
    for file in missing:
        if progress is not None:
            progress(done, whole)
        found[file.path] = _measure(roll.folder / file.path, _names(take, file.path), workers)
        if logbook is not None:
            logbook.save_measurement(file.path, found[file.path])
        done += file.size_bytes
    if progress is not None:
        progress(whole, whole)
    traces = _with_shared_edges([_joined(track, found, take.rate) for track in take.tracks])
    return MeasuredTake(take, traces, {path: replace(value, traces=()) for path, value in found.items()})


def silent_spans(track: Track) -> tuple[tuple[int, int], ...]:
    """Return the stretches of a take, (start, stop) in samples, that no file of the track holds before its end."""
    spans = []
    position = 0
    for piece in track.pieces:
        if piece.start_samples > position:
            spans.append((position, piece.start_samples))
        position = piece.start_samples + piece.length_samples
    return tuple(spans)


def _measure(path: Path, names: Sequence[str | None], workers: int | None) -> FileMeasurement:
    # The measuring loops take a second to load; whoever finds everything in the logbook need not wait.
    from takewell.engine import measure_file

    return measure_file(path, names=names, workers=workers or os.cpu_count() or 1)


def _names(take: Take, file: str) -> list[str | None]:
    """Return the names of a file's channels, in order, as the take's tracks have them."""
    named = {
        piece.channel: track.name or None
        for track in take.tracks
        for piece in track.pieces
        if piece.file == file
    }
    return [named[channel] for channel in sorted(named)]


def _joined(track: Track, measured: Mapping[str, FileMeasurement], rate: int) -> Trace:
    """Return a track's trace through its files, with silence where no file holds it."""
    parts = []
    position = 0
    for piece in track.pieces:
        if piece.start_samples > position:
            parts.append(silent_trace(piece.start_samples - position, rate))
        parts.append(measured[piece.file].traces[piece.channel - 1])
        position = piece.start_samples + parts[-1].length_samples
    return join(parts)


def _with_shared_edges(traces: Sequence[Trace]) -> tuple[Trace, ...]:
    """Return the traces with equal edges held once: for hours of many tracks they take as much room as the levels."""
    shared: list[Trace] = []
    for trace in traces:
        twin = next((other for other in shared if _same_edges(trace, other)), None)
        if twin is None:
            shared.append(trace)
        else:
            shared.append(replace(trace, edges=twin.edges, fine_edges=twin.fine_edges))
    return tuple(shared)


def _same_edges(one: Trace, two: Trace) -> bool:
    if one.rate != two.rate or one.length_samples != two.length_samples:
        return False
    return np.array_equal(one.edges, two.edges) and np.array_equal(one.fine_edges, two.fine_edges)
