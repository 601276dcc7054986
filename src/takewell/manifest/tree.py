"""Which files and folders lie below a folder, leaving out what the manifest leaves out?"""

import os
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import FileError
from takewell.manifest.ignore import IgnoreRule


@dataclass(frozen=True)
class FolderContents:
    """Relative paths with "/", sorted; links are neither followed nor listed as files."""

    files: tuple[str, ...]
    folders: tuple[str, ...]
    links: tuple[str, ...]
    """Symbolic links and other things that are neither file nor folder."""
    left_out: tuple[str, ...]
    """Files and folders the rule leaves out; what lies in such a folder is not listed."""
    unreadable: tuple[tuple[str, str], ...] = ()
    """Folders that could not be looked through, with the reason."""


def folder_contents(root: str | os.PathLike[str], rule: IgnoreRule, *, go_on: bool = False) -> FolderContents:
    """Return what lies below `root`, nested as deep as it may be.

    Parameters
    ----------
    root : path
        The folder.
    rule : IgnoreRule
        What to leave out.
    go_on : bool
        Whether to go on past a folder that cannot be looked through, and list it as unreadable.

    Raises
    ------
    FileError
        If a folder cannot be looked through: `root` itself, or with ``go_on=False`` any.
    """
    unreadable: list[tuple[str, str]] = []
    files: list[str] = []
    folders: list[str] = []
    links: list[str] = []
    left_out: list[str] = []
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        place = Path(root, folder)
        try:
            with os.scandir(place) as entries:
                for entry in entries:
                    path = f"{folder}/{entry.name}" if folder else entry.name
                    is_folder = entry.is_dir(follow_symlinks=False)
                    if rule.leaves_out(path, is_folder=is_folder):
                        left_out.append(path)
                    elif is_folder:
                        folders.append(path)
                        waiting.append(path)
                    elif entry.is_file(follow_symlinks=False):
                        files.append(path)
                    else:
                        links.append(path)
        except OSError as error:
            if go_on and folder:
                unreadable.append((folder, error.strerror or str(error)))
                continue
            raise FileError(
                f"{place} cannot be looked through ({error.strerror or error}); check that it is there and may be read."
            ) from error
    return FolderContents(
        tuple(sorted(files)),
        tuple(sorted(folders)),
        tuple(sorted(links)),
        tuple(sorted(left_out)),
        tuple(sorted(unreadable)),
    )
