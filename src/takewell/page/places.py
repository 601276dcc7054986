"""Which folders may the page look into?

Conventions: a path counts as what it leads to once every symbolic link is followed. It must lie in one of the
allowed folders, and nothing below those may be hidden. Rolls are named in addresses by their path, written as
base64 for URLs (RFC 4648, section 5), so an address outlives a restart; it is checked each time.
"""

import base64
import binascii
import os
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from takewell.errors import FileError
from takewell.roll import Roll, is_roll
from takewell.roll.folder import SOUND_SUFFIXES
from takewell.roll.sheet import TEXT_FOLDER

MOST_ENTRIES = 2000
"""Folders listed in one place."""

_MOUNTS = ("/media", "/run/media", "/mnt", "/Volumes")


@dataclass(frozen=True)
class FolderEntry:
    """One folder in the picker."""

    name: str
    path: str
    is_roll: bool


@dataclass(frozen=True)
class Folder:
    """A folder as the picker shows it."""

    path: str
    parent: str | None
    """None at an allowed folder itself."""
    entries: tuple[FolderEntry, ...]
    sounds: int
    is_roll: bool
    more: int
    """Folders that are there but not listed."""
    files: tuple[FolderEntry, ...] = ()
    """Files of the kind that is looked for."""


class Places:
    """The allowed folders."""

    def __init__(self, roots: Iterable[Path]) -> None:
        self.roots = tuple(dict.fromkeys(Path(os.path.realpath(root)) for root in roots))

    def allowed(self, path: str | os.PathLike[str]) -> Path:
        """Return a path, links followed, that may be looked at; it need not exist.

        Raises
        ------
        FileError
            If it lies outside, is hidden, or is no path.
        """
        text = os.fspath(path)
        if not text or "\0" in text or len(text) > 4096 or not Path(text).is_absolute():
            raise FileError("That is no folder; give a whole path.")
        try:
            real = Path(os.path.realpath(text))
        except (OSError, ValueError):
            raise FileError("That is no folder; give a whole path.") from None
        for root in self.roots:
            if real == root:
                return real
            if root in real.parents:
                if any(part.startswith(".") for part in real.relative_to(root).parts):
                    break
                return real
        raise FileError(
            "That place lies outside the folders this page may look into; start it with --root to allow another."
        )

    def folder(self, path: str, suffix: str = "") -> Folder:
        """Return a folder with the folders in it, and the files of one suffix, in order of name.

        Raises
        ------
        FileError
            If it is not allowed, not there, or cannot be read.
        """
        real = self.allowed(path)
        entries, sounds = [], 0
        files: list[FolderEntry] = []
        try:
            for entry in sorted(os.scandir(real), key=lambda e: e.name.casefold()):
                if entry.name.startswith("."):
                    continue
                if entry.is_dir(follow_symlinks=False):
                    entries.append(entry)
                elif Path(entry.name).suffix.lower() in SOUND_SUFFIXES:
                    sounds += 1
                elif suffix and entry.name.endswith(suffix) and entry.is_file(follow_symlinks=False):
                    files.append(FolderEntry(_text(entry.name), _text(entry.path), is_roll=False))
        except OSError as error:
            raise FileError(f"{real} cannot be looked into: {error.strerror or error}.") from error
        shown = tuple(
            FolderEntry(_text(entry.name), _text(entry.path), is_roll(entry.path))
            for entry in entries[:MOST_ENTRIES]
        )
        parent = None if real in self.roots else str(real.parent)
        return Folder(
            _text(str(real)),
            parent,
            shown,
            sounds,
            is_roll(real),
            max(len(entries) - MOST_ENTRIES, 0),
            tuple(files[:MOST_ENTRIES]),
        )

    def text_file(self, path: str, suffix: str, most_bytes: int) -> str:
        """Return the text of a file a person may look at here.

        Raises
        ------
        FileError
            If it is not allowed, not there, of another suffix, too large, or no text.
        """
        real = self.allowed(path)
        if real.suffix != suffix:
            raise FileError(f"{real} is no {suffix} file; choose one that is.")
        try:
            if real.stat().st_size > most_bytes:
                raise FileError(f"{real} is too large for this page; change it with a text editor.")
            return real.read_text(encoding="utf-8")
        except OSError as error:
            raise FileError(f"{real} cannot be read: {error.strerror or error}; check the name.") from error
        except UnicodeDecodeError as error:
            raise FileError(f"{real} is no text in UTF-8; check the name.") from error

    def roll_folder(self, key: str) -> Path:
        """Return the folder a key in an address names.

        Raises
        ------
        FileError
            If it names none, or one that is not allowed.
        """
        try:
            text = os.fsdecode(base64.b64decode(key + "=" * (-len(key) % 4), b"-_", validate=True))
        except (ValueError, binascii.Error):
            raise FileError("That address names no roll.") from None
        return self.allowed(text)

    def check_media(self, roll: Roll) -> None:
        """Refuse a roll in which a link leads out of the allowed folders.

        Raises
        ------
        FileError
            That names the link.
        """
        own = roll.folder / TEXT_FOLDER
        for path in (
            own,
            *own.glob("*.csv"),
            *(roll.folder / file.path for take in roll.takes for file in take.files),
        ):
            if path.is_symlink():
                self.allowed(path)


def roll_key(folder: Path) -> str:
    """Return a folder as it stands in an address."""
    return base64.urlsafe_b64encode(os.fsencode(folder)).rstrip(b"=").decode()


def default_roots(given: Iterable[Path] = ()) -> tuple[Path, ...]:
    """Return where a person's rolls and cards may lie: home, here, what was named, and where disks are mounted."""
    places = [Path.home(), Path.cwd(), *given, *map(Path, _MOUNTS)]
    return tuple(place for place in places if place.is_dir())


def _text(path: str) -> str:
    """Return a name with bytes that are no text shown as marks."""
    return path.encode("utf-8", "surrogateescape").decode("utf-8", "replace")
