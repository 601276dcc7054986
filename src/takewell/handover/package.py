"""Writes a package: planned, built beside its final name, checked, sealed with a manifest, then renamed."""

import secrets
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import DestinationError, SettingError
from takewell.files import destination_error, make_folder
from takewell.handover.gather import Gathered, gather
from takewell.handover.names import check_pattern
from takewell.handover.plan import Delivery, Options, plan_package
from takewell.handover.report import FORMATS, check_formats, report_files, write_files
from takewell.handover.specs import Check, LoudnessSpec, loudness_checks, loudness_spec
from takewell.handover.write import Delivered, clipping_check, deliver
from takewell.manifest import seal_folder
from takewell.roll import Roll
from takewell.roll.moves import moves_path
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
    return write_files(to, report_files(gather(roll, target_lufs, progress).sheet(roll), formats))


def plan_handover(
    roll: Roll,
    options: Options,
    gathered: Gathered,
    *,
    mixes: Mapping[str, Sequence[Path]],
    levelled: Mapping[str, Sequence[Path]],
) -> tuple[Delivery, ...]:
    """Return what a package of this roll will hold; nothing is written."""
    infos: dict[str, AudioInfo] = {
        media.path: read_info(roll.folder / media.path) for take in roll.takes for media in take.files
    }
    return plan_package(
        roll.takes, infos, options, mixes=mixes, levelled=levelled, excerpts=gathered.excerpts
    )


def hand_over(
    roll: Roll,
    to: Path,
    options: Options,
    *,
    mixes: Mapping[str, Sequence[Path]],
    levelled: Mapping[str, Sequence[Path]],
    target_lufs: float = -23.0,
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
    target_lufs : float
        Where dialogue should lie in the report's drawings.

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
    gathered = gather(roll, target_lufs, progress)
    deliveries = plan_handover(roll, options, gathered, mixes=mixes, levelled=levelled)
    if not deliveries:
        raise SettingError(f"{roll.folder} holds no sound file that could be handed over.")
    make_folder(to.parent)
    _check_room(to.parent, deliveries)
    # The package is built under its own name, so that its manifest is named after it, in a hidden folder.
    workshop = to.parent / f".takewell-{secrets.token_hex(4)}.part"
    staging = workshop / to.name
    try:
        make_folder(staging)
        written = []
        for number, delivery in enumerate(deliveries):
            if progress:
                progress(number, len(deliveries), delivery.target)
            written.append(deliver(delivery, staging))
        checks = [check for check in map(clipping_check, written) if check]
        if options.spec == "finished":
            for item in written:
                if item.target.startswith("mix/"):
                    checks += _loudness_of(staging, item.target, spec)
        sheet = gathered.sheet(roll, checks)
        contents = dict(report_files(sheet, FORMATS))
        if roll.keeps and moves_path(roll.folder).exists():
            contents["moves.csv"] = moves_path(roll.folder).read_bytes()
        write_files(staging / "report", contents)
        manifest = seal_folder(staging)
        _place(staging, to)
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
    return HandoverReport(
        folder=to,
        files=tuple(written),
        reports=tuple(f"report/{name}" for name in contents),
        manifest=str(manifest.relative_to(staging)),
        checks=sheet.checks,
        notes=roll.warnings,
    )


def _loudness_of(package: Path, target: str, spec: LoudnessSpec) -> tuple[Check, ...]:
    # The measuring loops take a second to load; an editorial package does not need them.
    from takewell.engine import measure_file

    programme = measure_file(package / target, workers=2).programme
    loudness = programme.integrated_lufs if programme else None
    peak = programme.true_peak_dbtp if programme else None
    return loudness_checks(target, spec, loudness, peak)


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
            f"{folder} has {free / 1e9:.1f} GB free and the package needs {needed / 1e9:.1f} GB; free some space or choose another disk."
        )


def _place(staging: Path, to: Path) -> None:
    try:
        if to.exists():
            to.rmdir()
        staging.rename(to)
    except OSError as error:
        raise destination_error(to, error) from error
