"""Is a folder still what its manifest says?

Every file on record is read from its medium and held against the first digest recorded for it; every file
on disk must be on record. Missing evidence is not success: what was never hashed is "not verified".
"""

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from takewell.errors import FileError
from takewell.manifest.hashing import hash_file, same_digests
from takewell.manifest.ignore import PATTERNS, IgnoreRule
from takewell.manifest.reading import read_history
from takewell.manifest.tree import folder_contents
from takewell.manifest.values import History
from takewell.manifest.writing import formats_for

FileVerdict = Literal["verified", "changed", "missing", "extra", "not verified", "unreadable"]


@dataclass(frozen=True)
class CheckedFile:
    """One file of a verified folder."""

    path: str
    verdict: FileVerdict
    size_bytes: int | None
    hash_format: str | None
    expected: str | None
    found: str | None
    sentence: str
    """What is the matter, for a person; empty for a verified file."""


@dataclass(frozen=True)
class FolderReport:
    """A folder held against its manifest."""

    folder: str
    generations: int
    files: tuple[CheckedFile, ...]
    whole: bool
    """Whether every file on record is there and verified, and nothing else lies in the folder."""
    sentence: str

    def count(self, verdict: FileVerdict) -> int:
        """Return how many files got a verdict."""
        return sum(file.verdict == verdict for file in self.files)


def verify(
    folder: str | os.PathLike[str], *, progress: Callable[[int, int], None] | None = None
) -> FolderReport:
    """Hold a folder against its ASC MHL history, nested histories included.

    Parameters
    ----------
    folder : path
        A folder with an ``ascmhl`` folder in it.
    progress : callable, optional
        Called with (bytes read so far, bytes to read).

    Raises
    ------
    FileError
        If the folder has no manifest, cannot be looked through, or its manifest is damaged.
    """
    root = Path(folder)
    if not root.is_dir():
        raise FileError(f"{root} is not a folder that is there; name the folder to verify.")
    history = read_history(root)
    if not history:
        raise FileError(
            f"{root} has no manifest (no ascmhl folder), so there is nothing to hold it against; check a card in to it first."
        )
    contents = folder_contents(root, IgnoreRule([*history.ignore, *PATTERNS]))
    recorded = set(history.paths())
    present = set(contents.files)
    sizes = {path: _size(root / path) for path in present}
    counter = _Counter(sum(sizes[path] or 0 for path in present & recorded), progress)
    checked = []
    for path in sorted(recorded | present):
        if path not in recorded:
            checked.append(_extra(path, sizes[path]))
        elif path not in present and not os.path.lexists(root / path):
            checked.append(_missing(path, history))
        else:
            checked.append(_compare(root, path, sizes.get(path), history, counter))
    generations = max((len(h.generations) for _, h in history.histories()), default=0)
    whole = all(file.verdict == "verified" for file in checked)
    report = FolderReport(str(root), generations, tuple(checked), whole, "")
    return FolderReport(str(root), generations, tuple(checked), whole, _summary(report))


class _Counter:
    def __init__(self, total: int, progress: Callable[[int, int], None] | None) -> None:
        self.total, self.done, self.progress = total, 0, progress

    def __call__(self, count: int) -> None:
        self.done += count
        if self.progress is not None:
            self.progress(self.done, self.total)


def _size(path: Path) -> int | None:
    try:
        return path.stat().st_size
    except OSError:
        return None


def _extra(path: str, size: int | None) -> CheckedFile:
    sentence = f"{path} is not in the manifest: its hash was never recorded, so it is not verified."
    return CheckedFile(path, "extra", size, None, None, None, sentence)


def _missing(path: str, history: History) -> CheckedFile:
    known = history.first(path)
    name, digest = next(iter(known.hashes.items()), (None, None)) if known else (None, None)
    size = known.size_bytes if known else None
    return CheckedFile(path, "missing", size, name, digest, None, f"{path} is missing.")


def _compare(root: Path, path: str, size: int | None, history: History, counter: _Counter) -> CheckedFile:
    known = history.first(path)
    if known is None or not known.hashes:
        sentence = f"{path} stands in the manifest without a hash, so it is not verified."
        return CheckedFile(path, "not verified", size, None, None, None, sentence)
    (name,) = formats_for((), known.hashes)
    expected = known.hashes[name]
    try:
        found = hash_file(root / path, [name], progress=counter)[name]
    except OSError as error:
        sentence = f"{path} cannot be read ({error.strerror or error}), so it is not verified."
        return CheckedFile(path, "unreadable", size, name, expected, None, sentence)
    if same_digests({name: found}, {name: expected}):
        return CheckedFile(path, "verified", size, name, expected, found, "")
    sentence = f"{path} was changed: its {name} was {expected}, now it is {found}"
    if size is not None and known.size_bytes is not None and size != known.size_bytes:
        sentence += f"; its size was {known.size_bytes} bytes, now it is {size}"
    return CheckedFile(path, "changed", size, name, expected, found, sentence + ".")


def _summary(report: FolderReport) -> str:
    good = report.count("verified")
    if report.whole:
        return (
            f"All {good} files are there and verified."
            if good != 1
            else "The one file is there and verified."
        )
    parts = [
        f"{count} {verdict}"
        for verdict in ("changed", "missing", "unreadable", "not verified", "extra")
        if (count := report.count(verdict))
    ]
    return f"{good} of {len(report.files)} files verified; {', '.join(parts)}."
