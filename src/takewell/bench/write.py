"""How is the test programme written: Broadcast Wave files, a cue sheet, the settings?

Files are 32-bit float, so levels past full scale are really in them. Memory is bounded: a few seconds at a time.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from takewell.bench.cue_sheet import cue_sheet
from takewell.bench.programme import Part, ProgrammeSettings, parts, settings_text
from takewell.errors import DestinationError
from takewell.files import make_folder, write_text
from takewell.wave import Bext, BroadcastWriter

BLOCK_SAMPLES = 1 << 18
SETTINGS_NAME = "programme.toml"
CUE_SHEET_NAME = "cue-sheet.txt"

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class WrittenSignals:
    """What was written."""

    folder: Path
    files: tuple[Path, ...]
    lengths_s: tuple[float, ...]
    cue_sheet: Path
    settings: Path


def write_signals(
    folder: Path, settings: ProgrammeSettings, *, progress: Progress | None = None
) -> WrittenSignals:
    """Write the test programme into a folder.

    Raises
    ------
    DestinationError
        If a file of the programme is there already, or the folder cannot be written to.
    """
    programme = parts(settings)
    files = {part.name: folder / f"{part.number + 1}-{part.name}.wav" for part in programme}
    for path in (*files.values(), folder / SETTINGS_NAME, folder / CUE_SHEET_NAME):
        if path.exists():
            raise DestinationError(f"{path} is there already; choose another folder or remove it first.")
    make_folder(folder)
    for index, part in enumerate(programme):
        if progress is not None:
            progress(index, len(programme), part.name)
        with BroadcastWriter(
            files[part.name],
            rate=settings.rate,
            channels=settings.channels,
            encoding="float32",
            bext=Bext(
                description=f"Test programme part {part.number + 1}: {part.name}", originator="Takewell"
            ),
            replace_existing=False,
        ) as writer:
            length = round(part.length_s * settings.rate)
            for start in range(0, length, BLOCK_SAMPLES):
                writer.write(
                    part_samples(part, settings, start, min(BLOCK_SAMPLES, length - start)).astype(np.float32)
                )
    sheet = cue_sheet(settings, programme, {name: path.name for name, path in files.items()})
    write_text(folder / CUE_SHEET_NAME, sheet, replace=False)
    write_text(folder / SETTINGS_NAME, settings_text(settings), replace=False)
    return WrittenSignals(
        folder,
        tuple(files.values()),
        tuple(part.length_s for part in programme),
        folder / CUE_SHEET_NAME,
        folder / SETTINGS_NAME,
    )


def part_samples(part: Part, settings: ProgrammeSettings, start: int, count: int) -> NDArray[np.float64]:
    """Return samples ``start`` to ``start + count`` of a part, (count, channels)."""
    out = np.zeros((count, settings.channels))
    for section in part.sections:
        first = max(start, int(np.ceil(section.start_s * settings.rate)))
        last = min(start + count, int(np.floor(section.end_s * settings.rate)) + 1)
        if first >= last or section.kind in ("silence", "pause"):
            continue
        wave = section.wave(np.arange(first, last) / settings.rate - section.start_s)
        sounding = slice(None) if section.channel is None else slice(section.channel, section.channel + 1)
        out[first - start : last - start, sounding] += wave[:, None]
    return out
