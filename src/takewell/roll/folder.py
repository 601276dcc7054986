"""What lies in a roll's folder, or in any files somebody points to?

Conventions: hidden files, ``ascmhl/`` and ``takewell/`` are not media. A file counts as sound by its suffix; one
that cannot be read is listed with the reason, and the rest goes on. Headers come from the logbook while size
and time of change are the same.
"""

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any

from takewell.errors import FileError, TakewellError
from takewell.roll.kept_takes import state_of, takes_from_json, takes_to_json
from takewell.roll.labels import labels_path, read_labels
from takewell.roll.logbook import Logbook
from takewell.roll.names import natural_order
from takewell.roll.notes import notes_path, read_notes
from takewell.roll.said import FileHeader
from takewell.roll.sheet import TEXT_FOLDER
from takewell.roll.stored import lean_info
from takewell.roll.takes import Grouping, group_takes
from takewell.roll.values import Roll
from takewell.wave import read_info

MANIFEST_FOLDER = "ascmhl"

ROOM, KEPT = "roll", "takes"
"""Where the takes lie in the logbook."""

SOUND_SUFFIXES = frozenset({
    ".wav", ".wave", ".bwf", ".rf64", ".bw64", ".w64", ".aif", ".aiff", ".aifc",
    ".flac", ".caf", ".au", ".snd", ".ogg", ".oga", ".opus", ".mp3",
})  # fmt: skip
"""Suffixes, in lower case, of files that are read as sound."""


def read_roll(folder: str | os.PathLike[str]) -> Roll:
    """Return the roll in a folder, keeping headers in its logbook.

    Parameters
    ----------
    folder : path
        A folder with media; its ``takewell/`` is made where it is missing and can be made.

    Returns
    -------
    Roll
        Takes in the order of the day; files that could not be read stand in `unreadable`.

    Raises
    ------
    FileError
        If there is no such folder.
    SettingError
        If a line of ``notes.csv`` or ``tracks.csv`` cannot be understood.
    """
    folder = Path(folder)
    if not folder.is_dir():
        what = "is a file, not a folder" if folder.exists() else "does not exist"
        raise FileError(f"{folder} {what}; give the folder of a roll.")
    notes, labels = read_notes(folder), read_labels(folder)
    with Logbook(folder) as logbook:
        unreadable: list[str] = []
        sounds, others = _survey(folder, unreadable)
        kept = None if unreadable else _kept_roll(folder, logbook, sounds, others)
        if kept is not None:
            return kept
        known = logbook.headers()
        headers = _headers(folder, sounds, known, unreadable)
        if {header.path: header for header in headers} != known:
            logbook.save_headers([header for header in headers if known.get(header.path) != header])
            # What a check-in hashed is known by its hash from the first reading on.
            known = logbook.headers()
            headers = [known.get(header.path, header) for header in headers]
        grouping = group_takes(headers, labels, notes)
        if headers and not unreadable:
            logbook.keep(ROOM, {KEPT: _to_keep(folder, logbook, grouping)})
        warnings = list(logbook.warnings)
    if not headers and not unreadable:
        warnings.append(f"{folder} holds no sound files.")
    return Roll(
        folder=folder,
        takes=grouping.takes,
        other_files=tuple(sorted({*others, *grouping.duplicates}, key=natural_order)),
        warnings=(*warnings, *grouping.warnings),
        unreadable=tuple(unreadable),
    )


def _kept_roll(folder: Path, logbook: Logbook, sounds: Sequence[str], others: Sequence[str]) -> Roll | None:
    """Return the roll as its logbook keeps it, None where a file or a text has changed since."""
    media = logbook.media_state()
    if {row[0] for row in media} != set(sounds):
        return None
    try:
        for path, size_bytes, mtime_ns, _ in media:
            status = (folder / path).stat()
            if (status.st_size, status.st_mtime_ns) != (size_bytes, mtime_ns):
                return None
        kept = logbook.kept(ROOM).get(KEPT) or {}
        if kept.get("state") != state_of(media, _texts(folder)):
            return None
        takes = takes_from_json(kept["takes"])
        return Roll(
            folder=folder,
            takes=takes,
            other_files=tuple(sorted({*others, *kept["duplicates"]}, key=natural_order)),
            warnings=(*logbook.warnings, *kept["warnings"]),
        )
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None


def _to_keep(folder: Path, logbook: Logbook, grouping: Grouping) -> dict[str, Any]:
    return {
        "state": state_of(logbook.media_state(), _texts(folder)),
        "takes": takes_to_json(grouping.takes),
        "duplicates": list(grouping.duplicates),
        "warnings": list(grouping.warnings),
    }


def _texts(folder: Path) -> list[bytes]:
    """Return the text files that say something of takes; nothing for one that is not there."""
    return [
        path.read_bytes() if path.is_file() else b"" for path in (notes_path(folder), labels_path(folder))
    ]


def loose(paths: Iterable[str | os.PathLike[str]]) -> Roll:
    """Return a roll of files and folders that were never checked in; nothing is written beside them.

    Parameters
    ----------
    paths : iterable of path
        Files are read whatever their suffix; folders are searched as a roll's folder is.

    Returns
    -------
    Roll
        Its folder is the innermost one that holds all of them; notes and track labels that lie there count.

    Raises
    ------
    FileError
        If no path is given.
    SettingError
        As `read_roll`.
    """
    given = [Path(path) for path in paths]
    if not given:
        raise FileError("No files were given; name at least one file or folder.")
    tops = [path if path.is_dir() else path.parent for path in given]
    folder = tops[0] if len(set(tops)) == 1 else Path(os.path.commonpath([top.resolve() for top in tops]))
    unreadable: list[str] = []
    sounds: list[str] = []
    others: list[str] = []
    for path, top in zip(given, tops, strict=True):
        before = os.path.relpath(top.resolve(), folder.resolve())
        before = "" if before == os.curdir else f"{before}/".replace(os.sep, "/")
        if path.is_dir():
            found, other = _survey(path, unreadable)
            sounds += [before + name for name in found]
            others += [before + name for name in other]
        else:
            sounds.append(before + path.name)
    headers = _headers(folder, list(dict.fromkeys(sounds)), {}, unreadable)
    grouping = group_takes(headers, read_labels(folder), read_notes(folder))
    return Roll(
        folder=folder,
        takes=grouping.takes,
        other_files=tuple(sorted({*others, *grouping.duplicates}, key=natural_order)),
        warnings=grouping.warnings,
        unreadable=tuple(unreadable),
        keeps=False,
    )


def open_roll(paths: Sequence[str | os.PathLike[str]]) -> Roll:
    """Return what somebody points to: a roll where it is the one folder of a roll, else loose files.

    Raises
    ------
    FileError, SettingError
        As `read_roll` and `loose`.
    """
    if len(paths) == 1 and is_roll(paths[0]):
        return read_roll(paths[0])
    return loose(paths)


def is_roll(path: str | os.PathLike[str]) -> bool:
    """Return whether a folder was checked in, or has a roll's text files."""
    return any((Path(path) / name).is_dir() for name in (TEXT_FOLDER, MANIFEST_FOLDER))


def holds_sound(path: str | os.PathLike[str]) -> bool:
    """Return whether a path is a file, or a folder that holds any sound file, readable or not."""
    return Path(path).is_file() or bool(_survey(Path(path), [])[0])


def _survey(folder: Path, unreadable: list[str]) -> tuple[list[str], list[str]]:
    """Return the sound files and the other files below a folder, relative to it, in natural order."""
    names = sorted(_files_below(folder, unreadable), key=natural_order)
    sounds = [name for name in names if PurePosixPath(name).suffix.lower() in SOUND_SUFFIXES]
    heard = set(sounds)
    return sounds, [name for name in names if name not in heard]


def _files_below(folder: Path, unreadable: list[str]) -> Iterator[str]:
    def refuse(error: OSError) -> None:
        unreadable.append(f"{error.filename} cannot be read: {error.strerror or error}.")

    for parent, folders, files in os.walk(folder, onerror=refuse):
        folders[:] = [f for f in folders if f[0] != "." and f not in (TEXT_FOLDER, MANIFEST_FOLDER)]
        inside = os.path.relpath(parent, folder)
        before = "" if inside == os.curdir else f"{inside}/".replace(os.sep, "/")
        yield from (before + name for name in files if name[0] != ".")


def _headers(
    folder: Path, sounds: Iterable[str], known: Mapping[str, FileHeader], unreadable: list[str]
) -> list[FileHeader]:
    headers = []
    for name in sounds:
        path = folder / name
        try:
            status = path.stat()
            header = known.get(name)
            if header is None or (header.size_bytes, header.mtime_ns) != (status.st_size, status.st_mtime_ns):
                info = lean_info(read_info(path))
                header = FileHeader(name, status.st_size, status.st_mtime_ns, info)
            headers.append(header)
        except TakewellError as error:
            unreadable.append(str(error))
        except OSError as error:
            unreadable.append(f"{path} cannot be read: {error.strerror or error}.")
    return headers
