"""What is an editor handed of a day that is lined up?

Into one folder: for each pair a poly file as long as its clip, a timeline that refers to those files, an edit list, and the report
as a table and as a page. Nothing is written beside the recordings or the camera files.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from takewell import files
from takewell.errors import FileError, SettingError, TakewellError
from takewell.roll import Logbook, Roll
from takewell.roll.values import Finding
from takewell.sync.edit_list import write_edit_list
from takewell.sync.placed import stretches
from takewell.sync.report_page import write_report_page
from takewell.sync.synced_files import SyncedFile, write_synced
from takewell.sync.table import write_table
from takewell.sync.values import SyncReport

NO_TIMELINE = "No timeline was written: OpenTimelineIO is not at hand, as for a Python newer than it; the edit list serves instead."

Progress = Callable[[str, int, int], None]
"""Called with a name, how many files are done and how many there are."""


@dataclass(frozen=True)
class Written:
    """What was written, and what is to be said about it."""

    synced: tuple[SyncedFile, ...]
    paths: tuple[Path, ...]
    notes: tuple[str, ...]


def write_all(
    report: SyncReport, roll: Roll, folder: Path, *, correct: bool = False, progress: Progress | None = None
) -> Written:
    """Write synced files, timeline, edit list and table of a report.

    Parameters
    ----------
    report : SyncReport
    roll : Roll
        Whose findings become markers where it was examined.
    folder : Path
        Made where it is missing.
    correct : bool
        Whether synced files are resampled by the drift found.
    progress : callable, optional

    Raises
    ------
    DestinationError
        If something cannot be written there.
    """
    files.make_folder(folder)
    pairs = [pairing for pairing in report.pairings if stretches(pairing)]
    synced: list[SyncedFile] = []
    notes: list[str] = []
    for done, pairing in enumerate(pairs):
        if progress is not None:
            progress(pairing.clip.name, done, len(pairs))
        try:
            one = write_synced(pairing, folder, correct_drift=correct)
        except FileError as error:  # the others go on
            notes.append(str(error))
            continue
        synced.append(one)
        notes += one.notes
        if one.clipped_samples:
            notes.append(f"{one.path.name}: {one.clipped_samples} samples reached full scale in resampling.")
    name = roll.folder.resolve().name or "roll"
    paths = [folder / "sync.csv", folder / "sync.html"]
    write_table(report, paths[0])
    write_report_page(report, paths[1], title=name)
    try:
        from takewell.sync.timeline import timeline, write_timeline
    except ImportError:
        notes.append(NO_TIMELINE)
    else:
        placed = {
            (one.pairing.clip.path, one.pairing.recording.name): one.path
            for one in synced
            if one.pairing.recording is not None
        }
        paths.append(folder / "timeline.otio")
        write_timeline(timeline(report, name=name, findings=_findings(roll), synced=placed), paths[-1])
    try:
        write_edit_list(report, folder / "edit-list.edl", name=name)
        paths.append(folder / "edit-list.edl")
    except SettingError as error:
        notes.append(str(error))
    return Written(tuple(synced), tuple(paths), tuple(notes))


def _findings(roll: Roll) -> tuple[Finding, ...]:
    """Return what the examination found, where there was one."""
    if not roll.keeps:
        return ()
    try:
        with Logbook(roll.folder) as logbook:
            known = logbook.examination()
    except TakewellError:
        return ()
    return () if known is None else known.findings
