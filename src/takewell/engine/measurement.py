"""What does a sound file measure?"""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from takewell.engine.meter import Meter
from takewell.engine.results import FileFormat, FileMeasurement
from takewell.errors import TakewellError
from takewell.wave import AudioInfo, open_audio

BLOCK_SAMPLES = 1 << 16
BLOCK_VALUES = 1 << 20


def measure_file(
    path: str | Path, *, names: Sequence[str | None] | None = None, workers: int = 1
) -> FileMeasurement:
    """Measure one file in one pass."""
    del workers
    with open_audio(Path(path)) as audio:
        info = audio.info
        meter = Meter(
            info.rate, info.channels, encoding=info.encoding, channel_mask=info.channel_mask,
            names=names if names is not None else track_names(info),
        )  # fmt: skip
        for block in audio.blocks(max(BLOCK_VALUES // info.channels, 1024)):
            meter.add(block)
    return measurement(str(path), info, meter)


def measurement(file: str, info: AudioInfo, meter: Meter) -> FileMeasurement:
    """Return the measurement of a file whose samples have all been given to `meter`."""
    result = meter.finish()
    return FileMeasurement(
        file=file,
        format=FileFormat(
            info.container,
            info.encoding,
            info.rate,
            info.channels,
            meter.length_samples,
            meter.length_samples / info.rate,
        ),
        tracks=result.tracks,
        programme=result.programme,
        notes=tuple(info.recoveries),
        traces=result.traces,
    )


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
    """Measure files side by side.

    Yields
    ------
    tuple of str and FileMeasurement or TakewellError
        In the order of `paths`; an unreadable file gives its error and stops nothing.
    """

    def one(path: str | Path) -> tuple[str, FileMeasurement | TakewellError]:
        try:
            return str(path), measure_file(path)
        except TakewellError as error:
            return str(path), error

    with ThreadPoolExecutor(max(workers, 1)) as pool:
        yield from pool.map(one, paths)
