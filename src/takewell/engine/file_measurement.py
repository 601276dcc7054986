"""What does a sound file measure?"""

from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

from takewell.engine.meter import Meter, MeterResult
from takewell.engine.results import FileFormat, FileMeasurement, TrackMeasurement
from takewell.engine.split import measure_split
from takewell.errors import TakewellError
from takewell.wave import AudioInfo, open_audio

BLOCK_VALUES = 1 << 20


def measure_file(
    path: str | Path, *, names: Sequence[str | None] | None = None, workers: int = 1
) -> FileMeasurement:
    """Measure one file in one pass.

    Parameters
    ----------
    path : path
        Any readable sound file.
    names : sequence of str or None, optional
        Track names; else those of the file's iXML.
    workers : int
        Threads that share a long file.

    Raises
    ------
    FileError
        If the file cannot be read.
    SignalError
        If it holds nothing that can be measured, such as a rate of 1 Hz.
    DestinationError
        If a very long file's histories find no room for temporary files.
    """
    with open_audio(Path(path)) as audio:
        info = audio.info
        meter = Meter(
            info.rate,
            info.channels,
            encoding=info.encoding,
            channel_mask=info.channel_mask,
            names=names if names is not None else track_names(info),
        )
        if workers > 1:
            result = measure_split(audio.read, info.length_samples, meter, workers)
        else:
            for block in audio.blocks(max(BLOCK_VALUES // info.channels, 1)):
                meter.add(block)
            result = meter.finish()
    return _measurement(str(path), info, meter.length_samples, result)


def measurement(file: str, info: AudioInfo, meter: Meter) -> FileMeasurement:
    """Return the measurement of a file whose samples have all been given to `meter`."""
    return _measurement(file, info, meter.length_samples, meter.finish())


def _measurement(file: str, info: AudioInfo, length_samples: int, result: MeterResult) -> FileMeasurement:
    return FileMeasurement(
        file=file,
        format=FileFormat(
            container=info.container,
            encoding=info.encoding,
            sample_rate_hz=info.rate,
            channels=info.channels,
            length_samples=length_samples,
            duration_s=length_samples / info.rate,
        ),
        tracks=result.tracks,
        programme=result.programme,
        notes=(*info.recoveries, *oddities(result.tracks)),
        traces=result.traces,
    )


def oddities(tracks: Sequence[TrackMeasurement]) -> list[str]:
    """Return what is odd about the tracks, one plain sentence each."""
    found = []
    for track in tracks:
        who = f"Channel {track.channel}" + (f" ({track.name})" if track.name else "")
        if track.nonfinite_samples:
            found.append(
                f"{who} holds {track.nonfinite_samples} samples that are no numbers. "
                f"{track.quality['nonfinite_samples']}"
            )
        if track.sample_peak_dbfs is None and not track.nonfinite_samples and track.dc_offset_fs is not None:
            found.append(f"{who} is digital silence throughout.")
        if len(track.passages) > 1:
            found.append(f"{who}: the gain setting moved; {len(track.passages)} passages are listed apart.")
    return found


def track_names(info: AudioInfo) -> list[str | None]:
    """Return the name of each channel as iXML's track list has it."""
    names: list[str | None] = [None] * info.channels
    for track in info.ixml.tracks if info.ixml else ():
        if 1 <= track.interleave_index <= info.channels and track.name:
            names[track.interleave_index - 1] = track.name
    return names


def measure_files(
    paths: Sequence[str | Path], workers: int = 1
) -> Iterator[tuple[str, FileMeasurement | TakewellError]]:
    """Measure files side by side, a single long one by all workers.

    Yields
    ------
    tuple of str and FileMeasurement or TakewellError
        In the order of `paths`; an unreadable file gives its error and stops nothing.
    """
    together = max(min(workers, len(paths)), 1)

    def one(path: str | Path) -> tuple[str, FileMeasurement | TakewellError]:
        try:
            return str(path), measure_file(path, workers=max(workers // together, 1))
        except TakewellError as error:
            return str(path), error

    with ThreadPoolExecutor(together) as pool:
        waiting: deque[Future[tuple[str, FileMeasurement | TakewellError]]] = deque()
        for path in paths:
            waiting.append(pool.submit(one, path))
            if len(waiting) > together:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
