"""What is on a card that has to come along, and what is left out?

Media files, side files and hidden files come along as they are. Left out is what operating systems leave
behind by themselves (`takewell.manifest.ignore.SYSTEM_PATTERNS`), what a program can compute again, and what is no file: links and devices.
"""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from takewell.checkin.disks import Disks, disks_of
from takewell.checkin.journal import JOURNAL
from takewell.checkin.values import LeftOut
from takewell.checkin.wording import shown
from takewell.errors import FileError
from takewell.manifest.ignore import HISTORY_FOLDER, SYSTEM_PATTERNS, IgnoreRule
from takewell.manifest.reading import CHAIN_FILE, read_history
from takewell.manifest.tree import folder_contents
from takewell.manifest.values import History

_NOT_COPIED = (".DS_Store", ".takewell-*", "/takewell/logbook*", f"/{JOURNAL}", *SYSTEM_PATTERNS)


@dataclass(frozen=True)
class Facts:
    """What a folder says of a file before it is read."""

    size_bytes: int
    modified_ns: int


@dataclass(frozen=True)
class Card:
    """A card or folder to check in."""

    root: Path
    device: int
    disks: Disks
    files: Mapping[str, Facts]
    """In the order they are copied: media by name, manifests last."""
    folders: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    history: History
    history_problem: str = ""
    """Why the card's own manifest history cannot be read; it is then left behind."""


def read_card(root: Path) -> Card:
    """Look through a card.

    Raises
    ------
    FileError
        If it is not there, is no folder, holds nothing, or cannot be looked through.
    """
    if not root.is_dir():
        what = "is a file" if root.exists() else "is not there"
        raise FileError(f"{shown(root)} {what}; name the card or folder to check in.")
    contents = folder_contents(root, IgnoreRule(_NOT_COPIED), go_on=True)
    history, problem = _history(root)
    files = {}
    left_out = [
        LeftOut(str(root), shown(path), f"the folder cannot be looked through ({reason})", matters=True)
        for path, reason in contents.unreadable
    ]
    for path in sorted(contents.files, key=_copying_order):
        if problem and is_history(path):
            left_out.append(LeftOut(str(root), shown(path), problem, matters=True))
            continue
        try:
            stat = (root / path).stat(follow_symlinks=False)
        except OSError as error:
            reason = f"it cannot be looked at ({error.strerror or error})"
            left_out.append(LeftOut(str(root), shown(path), reason, matters=True))
            continue
        files[path] = Facts(stat.st_size, stat.st_mtime_ns)
    if not files:
        raise FileError(
            f"There is nothing on {shown(root)} to check in; is the card in its slot and readable?"
        )
    left_out += [
        LeftOut(str(root), shown(path), "it is a link or device, not a file", matters=True)
        for path in contents.links
    ]
    left_out += [
        LeftOut(str(root), shown(path), "operating systems and programs make it by themselves", matters=False)
        for path in contents.left_out
    ]
    device = root.stat().st_dev
    return Card(root, device, disks_of(root), files, contents.folders, tuple(left_out), history, problem)


def is_history(path: str) -> bool:
    """Return whether a file belongs to a manifest history."""
    return HISTORY_FOLDER in PurePosixPath(path).parts[:-1]


def history_place(path: str) -> str:
    """Return the folder a history file's history belongs to, ``""`` for the top."""
    parts = PurePosixPath(path).parts
    return "/".join(parts[: parts.index(HISTORY_FOLDER)])


def _copying_order(path: str) -> tuple[bool, bool, str]:
    return is_history(path), path.endswith(f"/{CHAIN_FILE}"), path


def _history(root: Path) -> tuple[History, str]:
    try:
        return read_history(root), ""
    except FileError as error:
        return History(root), f"the card's own manifest history is damaged ({error})"


def still_there(card: Card) -> bool:
    """Return whether the card is still in its slot: its folder answers, on the device it was on."""
    try:
        with os.scandir(card.root) as entries:
            return card.root.stat().st_dev == card.device and any(entries)
    except OSError:
        return False
