"""Writes a package: planned, built beside its final name, checked, sealed with a manifest, then renamed."""

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import DestinationError, SettingError
from takewell.files import destination_error, make_folder, work_folder
from takewell.handover.gather import Gathered, gather
from takewell.handover.names import check_pattern
from takewell.handover.plan import NOTHING_MENDED, Delivery, Mended, Options, plan_package
from takewell.handover.report import FORMATS, check_formats, report_files, write_files
from takewell.handover.specs import Check, LoudnessSpec, loudness_checks, loudness_spec
from takewell.handover.write import Delivered, clipping_check, deliver
from takewell.manifest import seal_folder
from takewell.roll import Move, Roll, read_moves
from takewell.roll.moves import write_moves_to
from takewell.wave import AudioInfo, read_info

Progress = Callable[[int, int, str], None]

_ROOM_TO_SPARE = 64 << 20
"""Bytes a destination must have free beyond the package, for the report and the file system's own needs."""


@dataclass(frozen=True)
class HandoverReport:
    """What was handed over and what it was held against."""

    folder: Path
    files: tuple[Delivered, ...]
    reports: tuple[str, ...]
    manifest: str
    checks: tuple[Check, ...]
    notes: tuple[str, ...]

    @property
    def folders(self) -> dict[str, tuple[int, int]]:
        """Folder of the package -> (sound files in it, their bytes)."""
        totals: dict[str, tuple[int, int]] = {}
        for file in self.files:
            folder = file.target.split("/")[0]
            count, size = totals.get(folder, (0, 0))
            totals[folder] = (count + 1, size + file.size_bytes)
        return totals

    @property
    def met(self) -> bool:
        """Whether every check passed."""
        return all(check.passed for check in self.checks)


def write_report(
    roll: Roll,
    to: Path,
    formats: Sequence[str] = FORMATS,
    *,
    target_lufs: float = -23.0,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write the sound report of a roll alone, and return the paths written.

    Raises
    ------
    SettingError
        If a format is unknown.
    DestinationError
        If the folder cannot be written.
    FileError
        If a sound file cannot be read.
    """
    check_formats(formats)
    gathered = gather(roll, read_moves(roll.folder) if roll.keeps else (), target_lufs, progress)
    return write_files(to, report_files(gathered.sheet(roll), formats))


def plan_handover(
    roll: Roll,
    options: Options,
    gathered: Gathered,
    *,
    mixes: Mapping[str, Sequence[Path]],
    levelled: Mapping[str, Sequence[Path]],
    mended: Mended = NOTHING_MENDED,
) -> tuple[Delivery, ...]:
    """Return what a package of this roll will hold; nothing is written."""
    infos: dict[str, AudioInfo] = {
        media.path: read_info(roll.folder / media.path) for take in roll.takes for media in take.files
    }
    return plan_package(
        roll.takes,
        infos,
        options,
        mixes=_read(mixes),
        levelled=_read(levelled),
        excerpts=gathered.excerpts,
        mended=_read({take: tuple(files) for take, files in mended.items()}),
    )


def _read(made: Mapping[str, Sequence[Path]]) -> dict[str, list[AudioInfo]]:
    return {take: [read_info(path) for path in paths] for take, paths in made.items()}


def hand_over(
    roll: Roll,
    to: Path,
    options: Options,
    *,
    mixes: Mapping[str, Sequence[Path]],
    levelled: Mapping[str, Sequence[Path]],
    moves: Sequence[Move],
    target_lufs: float = -23.0,
    mended: Mended = NOTHING_MENDED,
    progress: Progress | None = None,
) -> HandoverReport:
    """Write a package for the editor and hold it against its spec.

    Parameters
    ----------
    roll : Roll
    to : Path
        The package's folder; it must not exist yet, or be empty. It appears only when it is whole.
    options : Options
    mixes, levelled : mapping of take id to rendered files
        The levelled mixes; for a finished package the levelled tracks too.
    moves : sequence of Move
        What levelled them; written into the package beside the report.
    target_lufs : float
        Where dialogue should lie in the report's drawings.
    mended : mapping of take id to files and sentences
        Mended tracks to be delivered beside the originals.

    Returns
    -------
    HandoverReport
        With every check; `met` is False where the spec is not met, and the package is written all the same.

    Raises
    ------
    SettingError, FileError, DestinationError
        In one sentence; no package is left behind.
    """
    spec = check_options(roll, to, options)
    gathered = gather(roll, moves, target_lufs, progress, mended)
    deliveries = plan_handover(roll, options, gathered, mixes=mixes, levelled=levelled, mended=mended)
    if not deliveries:
        raise SettingError(f"{roll.folder} holds no sound file that could be handed over.")
    # The package is built under its own name, so that its manifest is named after it, in a hidden folder.
    with work_folder(to.parent) as workshop:
        _check_room(to.parent, deliveries)
        staging = make_folder(workshop / to.name)
        written = []
        for number, delivery in enumerate(deliveries):
            if progress:
                progress(number, len(deliveries), delivery.target)
            written.append(deliver(delivery, staging))
        checks = [check for check in map(clipping_check, written) if check]
        if options.spec == "finished":
            checks += _loudness_checks(deliveries, staging, spec)
        sheet = gathered.sheet(roll, checks)
        contents = dict(report_files(sheet, FORMATS))
        write_files(staging / "report", contents)
        if moves:
            write_moves_to(staging / "report" / "moves.csv", moves)
        manifest = seal_folder(staging)
        _place(staging, to)
    return HandoverReport(
        folder=to,
        files=tuple(written),
        reports=tuple(f"report/{name}" for name in (*contents, *(["moves.csv"] if moves else []))),
        manifest=str(manifest.relative_to(staging)),
        checks=sheet.checks,
        notes=roll.warnings,
    )


def _loudness_checks(deliveries: Sequence[Delivery], package: Path, spec: LoudnessSpec) -> list[Check]:
    """Return how the mixes stand against `spec`: as delivered, or whole where they were delivered a channel a file."""
    # The measuring loops take a second to load; an editorial package does not need them.
    from takewell.engine import measure_file

    mixes = [delivery for delivery in deliveries if delivery.target.startswith("mix/")]
    checks: list[Check] = []
    for delivery in {d.source if d.channels else d.target: d for d in mixes}.values():
        programme = measure_file(
            delivery.source if delivery.channels else package / delivery.target
        ).programme
        loudness = programme.integrated_lufs if programme else None
        peak = programme.true_peak_dbtp if programme else None
        checks += loudness_checks(
            delivery.source.name if delivery.channels else delivery.target, spec, loudness, peak
        )
    return checks


def check_options(roll: Roll, to: Path, options: Options) -> LoudnessSpec:
    """Refuse, before any work is done, what cannot lead to a package; return the loudness document meant.

    Raises
    ------
    SettingError
        If the name pattern or the loudness document is wrong.
    DestinationError
        If the package's place is taken or lies among the media.
    """
    check_pattern(options.names)
    _check_destination(roll, to)
    return loudness_spec(options.loudness)


def _check_destination(roll: Roll, to: Path) -> None:
    inside, place = roll.folder.resolve(), to.resolve()
    if place == inside or inside in place.parents:
        raise DestinationError(
            f"{to} lies inside the roll; a package never lies among the media, choose another folder."
        )
    if to.exists() and (not to.is_dir() or any(to.iterdir())):
        raise DestinationError(
            f"{to} exists already and is not empty; choose another name or remove it first."
        )


def _check_room(folder: Path, deliveries: Sequence[Delivery]) -> None:
    needed = sum(delivery.source.stat().st_size for delivery in deliveries) + _ROOM_TO_SPARE
    free = shutil.disk_usage(folder).free
    if needed > free:
        raise DestinationError(
            f"{folder} has {free / 1e6:.0f} MB free and the package needs {needed / 1e6:.0f} MB; free some space or choose "
            "another disk."
        )


def _place(staging: Path, to: Path) -> None:
    try:
        if to.exists():
            to.rmdir()
        staging.rename(to)
    except OSError as error:
        raise destination_error(to, error) from error
